//! One Modbus session: reads, each with a deadline, and the rule when the session may be kept.
//!
//! A session is good after an answer of the asked length or a Modbus exception. After anything else - no reply in time, a
//! broken connection, a wrong header, a wrong length - it is given up. The guard would drop a late answer that bears its
//! own number; but there are devices that give a late answer the number of the request they got meanwhile, and then one
//! unit's registers would be taken for another's. Only a new connection is safe from that.
//!
//! Wrong counts are not noticed by the library, so they are checked by the guard and once more here.
//!
//! The trait has reads only: the supervisor has no way to write.

use super::dial::{Dial, Stream};
use super::guard::{Fault, Guard, Seen};
use setward_protocol::{NoData, ReadRequest, Table};
use std::fmt;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::timeout;
use tokio_modbus::client::{Client as _, Context, Reader as _, tcp};
use tokio_modbus::slave::{Slave, SlaveContext as _};
use tokio_modbus::{Error as ModbusError, ExceptionCode};

/// How long closing a connection in order may take.
const CLOSE_WITHIN: Duration = Duration::from_millis(100);

/// Why a read brought nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ReadFailure {
    /// The connection was refused: nothing listens there.
    Refused,
    /// No connection could be made for another reason.
    Unreachable(String),
    /// Nothing came in time.
    NoReply(Duration),
    /// The controller answered with an exception. The session is good.
    Exception(u8),
    /// The connection ended in the middle.
    Broken,
    /// What came is not Modbus TCP.
    NotModbus,
    /// The answer belongs to another request or function.
    NotOurAnswer,
    /// Another unit has answered.
    WrongUnit {
        /// Asked.
        asked: u8,
        /// Answered.
        found: u8,
    },
    /// The answer held another number of registers than asked for.
    WrongLength {
        /// Asked for.
        asked: u16,
        /// Found.
        found: usize,
    },
}

impl ReadFailure {
    /// Whether the controller itself has answered.
    #[must_use]
    pub const fn is_answer(&self) -> bool {
        matches!(self, Self::Exception(code) if !matches!(code, 0x0A | 0x0B))
    }

    /// A word for it that stays the same, for counts.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Refused => "refused",
            Self::Unreachable(_) => "unreachable",
            Self::NoReply(_) => "no_reply",
            Self::Exception(_) => "exception",
            Self::Broken => "broken",
            Self::NotModbus => "not_modbus",
            Self::NotOurAnswer => "not_our_answer",
            Self::WrongUnit { .. } => "wrong_unit",
            Self::WrongLength { .. } => "wrong_length",
        }
    }

    /// The reason a signal carries.
    #[must_use]
    pub const fn no_data(&self) -> NoData {
        match self {
            Self::Refused => NoData::Refused,
            Self::Exception(code) => NoData::Exception(*code),
            Self::Unreachable(_)
            | Self::NoReply(_)
            | Self::Broken
            | Self::NotModbus
            | Self::NotOurAnswer
            | Self::WrongUnit { .. }
            | Self::WrongLength { .. } => NoData::NoReply,
        }
    }
}

impl fmt::Display for ReadFailure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Refused => f.write_str("connection refused: check that the controller is on and that address and port in site.toml are right"),
            Self::Unreachable(why) => write!(f, "no connection ({why}): check cable, switch port and the address in site.toml"),
            Self::NoReply(within) => write!(
                f,
                "no reply within {} ms: check power, cable and port lamp; then the unit id in site.toml, and that no other client holds the controller's only connection",
                within.as_millis()
            ),
            Self::Exception(code) => write!(f, "exception {code:02} ({}): {}", exception_name(*code), exception_advice(*code)),
            Self::Broken => f.write_str("connection lost: it is made anew; should it go on, check whether the controller allows another client"),
            Self::NotModbus => f.write_str("the answer is not Modbus TCP: check that the port in site.toml is the controller's Modbus port"),
            Self::NotOurAnswer => f.write_str("an answer to another request: the connection is made anew; check for two devices at one address"),
            Self::WrongUnit { asked, found } => write!(
                f,
                "unit {found} answered instead of unit {asked}: the answer is thrown away; check unit_id in site.toml against the unit id set in the controller"
            ),
            Self::WrongLength { asked, found } => write!(
                f,
                "asked for {asked} registers and got {found}: the answer is thrown away; compare address, type and max_registers in line.toml with the controller's register list"
            ),
        }
    }
}

fn exception_name(code: u8) -> &'static str {
    match code {
        1 => "illegal function",
        2 => "illegal data address",
        3 => "illegal data value",
        4 => "device failure",
        5 => "acknowledge",
        6 => "device busy",
        8 => "memory parity error",
        10 => "gateway path unavailable",
        11 => "gateway target did not respond",
        _ => "not a standard code",
    }
}

fn exception_advice(code: u8) -> &'static str {
    match code {
        1 => "the controller does not serve this table; check holding against input in line.toml",
        2 => "an address of this block does not exist; check addresses and readable gaps in line.toml",
        3 => "the controller does not take a read of this length; lower max_registers in line.toml",
        4 | 8 => "the controller reports a fault of its own; look at its panel",
        5 | 6 => "the controller is busy; it is asked again with the next scan",
        10 | 11 => "the gateway works but the unit behind it does not answer; check the unit id and the unit",
        _ => "see the controller's manual",
    }
}

/// Reads registers. The only thing the supervisor can do to a controller.
pub trait RegisterRead: Send {
    /// One read of one unit, within `answer_within`.
    fn read(
        &mut self,
        unit_id: u8,
        request: ReadRequest,
        answer_within: Duration,
    ) -> impl Future<Output = Result<Vec<u16>, ReadFailure>> + Send;
}

/// A session over tokio-modbus.
pub struct ModbusSession {
    context: Context,
    seen: Arc<Seen>,
}

impl fmt::Debug for ModbusSession {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("ModbusSession")
    }
}

impl ModbusSession {
    /// Connects to `endpoint`, within `within`. The first request has the transaction id `first`.
    ///
    /// # Errors
    /// [`ReadFailure::Refused`], [`ReadFailure::Unreachable`] or [`ReadFailure::NoReply`].
    pub async fn connect(
        dial: &dyn Dial,
        endpoint: &str,
        within: Duration,
        first: u16,
    ) -> Result<Self, ReadFailure> {
        match timeout(within, dial.dial(endpoint)).await {
            Ok(Ok(stream)) => Ok(Self::over(stream, first)),
            Ok(Err(error)) if error.kind() == io::ErrorKind::ConnectionRefused => Err(ReadFailure::Refused),
            Ok(Err(error)) => Err(ReadFailure::Unreachable(error.to_string())),
            Err(_elapsed) => Err(ReadFailure::Unreachable(format!(
                "no answer to connect within {} ms",
                within.as_millis()
            ))),
        }
    }

    /// A session over a connection that stands. The first request has the transaction id `first`.
    #[must_use]
    pub fn over(stream: Box<dyn Stream>, first: u16) -> Self {
        let guard = Guard::new(stream, first);
        let seen = guard.seen();
        Self { context: tcp::attach_slave(guard, Slave(1)), seen }
    }

    /// Ends the connection in order.
    pub async fn close(mut self) {
        // Whether the other end still listens does not matter any more; it must only not keep us.
        let _ended = timeout(CLOSE_WITHIN, self.context.disconnect()).await;
    }

    /// Nothing came in time, or only answers to others.
    fn no_reply(&self, within: Duration) -> ReadFailure {
        if self.seen.strangers() > 0 { ReadFailure::NotOurAnswer } else { ReadFailure::NoReply(within) }
    }

    /// What ended the session, as far as the guard has seen it.
    fn broken(&self, request: ReadRequest) -> ReadFailure {
        match self.seen.fault() {
            None => ReadFailure::Broken,
            Some(Fault::NotModbus) => ReadFailure::NotModbus,
            Some(Fault::Function) => ReadFailure::NotOurAnswer,
            Some(Fault::Unit { asked, found }) => ReadFailure::WrongUnit { asked, found },
            Some(Fault::Bytes { found, .. }) => {
                let found = if request.table.is_bits() { found * 8 } else { found / 2 };
                ReadFailure::WrongLength { asked: request.count, found }
            }
        }
    }

    async fn ask(&mut self, request: ReadRequest) -> Result<Result<Vec<u16>, ExceptionCode>, ModbusError> {
        let ReadRequest { table, start, count } = request;
        let as_words = |bits: Vec<bool>| bits.into_iter().map(u16::from).collect();
        match table {
            Table::Holding => self.context.read_holding_registers(start, count).await,
            Table::Input => self.context.read_input_registers(start, count).await,
            Table::Coil => Ok(self.context.read_coils(start, count).await?.map(as_words)),
            Table::Discrete => Ok(self.context.read_discrete_inputs(start, count).await?.map(as_words)),
        }
    }
}

impl RegisterRead for ModbusSession {
    async fn read(
        &mut self,
        unit_id: u8,
        request: ReadRequest,
        answer_within: Duration,
    ) -> Result<Vec<u16>, ReadFailure> {
        self.context.set_slave(Slave(unit_id));
        let answer = timeout(answer_within, self.ask(request)).await;
        let found = match answer.map_err(|_elapsed| self.no_reply(answer_within))? {
            Ok(Ok(words)) => words,
            Ok(Err(exception)) => return Err(ReadFailure::Exception(exception.into())),
            // The library's texts for a broken transport mislead (a closed connection may read "in progress").
            Err(ModbusError::Transport(_)) => return Err(self.broken(request)),
            Err(ModbusError::Protocol(_)) => return Err(ReadFailure::NotOurAnswer),
        };
        if found.len() == usize::from(request.count) {
            Ok(found)
        } else {
            Err(ReadFailure::WrongLength { asked: request.count, found: found.len() })
        }
    }
}
