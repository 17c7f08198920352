//! What can go wrong, in the words of the trade: one enum, its text form, and its one-line explanations.
//!
//! A fault is told apart by its kind and by what it is about: a second `drift TT-310 ..` replaces the first. What each
//! one does to the plant is in `active.rs`.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

/// A fault with everything needed to bring it about. Values are in the signal's own unit.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// The register says "no value".
    SensorBreak {
        /// Tag of the signal.
        tag: String,
    },
    /// The register keeps what it shows now.
    Stuck {
        /// Tag of the signal.
        tag: String,
    },
    /// The register shows a growing error.
    Drift {
        /// Tag of the signal.
        tag: String,
        /// How fast the error grows, in the signal's unit a minute.
        per_minute: f64,
    },
    /// Somebody turned a setpoint.
    SetpointTurned {
        /// Tag of the setpoint.
        tag: String,
        /// What was entered, in the signal's unit.
        value: f64,
    },
    /// The fryer's heat is limited.
    HeatLow {
        /// How far below the setpoint the oil settles, K.
        below_k: f64,
    },
    /// An oven burner has lost its flame.
    BurnerOut {
        /// Tag of the zone's temperature; every zone when absent.
        tag: Option<String>,
    },
    /// The fryer's oil flow has fallen.
    FlowLow {
        /// The flow that is left, m3/h.
        flow_m3_per_h: f64,
    },
    /// A belt slips on its drum.
    BeltSlip {
        /// Tag of the belt's speed.
        tag: String,
        /// Share of the drum's speed that is lost, %.
        lost_percent: f64,
    },
    /// A controller doesn't answer.
    ControllerSilent {
        /// Name of the controller.
        name: String,
    },
    /// A controller answers late.
    ControllerSlow {
        /// Name of the controller.
        name: String,
        /// How much later than at once.
        delay: Duration,
    },
    /// A controller refuses every request.
    ControllerException {
        /// Name of the controller.
        name: String,
        /// The Modbus exception code.
        code: u8,
    },
    /// A controller closes the connection at every request.
    ControllerDrop {
        /// Name of the controller.
        name: String,
    },
    /// A controller sends one register too few.
    ControllerShort {
        /// Name of the controller.
        name: String,
    },
    /// A controller answers, but its program stands still.
    ProgramStopped {
        /// Name of the controller.
        name: String,
    },
}

macro_rules! fault_kinds {
    ($($kind:ident $name:literal $arguments:literal $explanation:literal;)*) => {
        /// The kinds of fault.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum FaultKind { $(#[doc = $explanation] $kind,)* }

        impl FaultKind {
            /// Every kind, in the order in which they are listed.
            pub const ALL: &'static [Self] = &[$(Self::$kind,)*];

            /// Its name: "heat-low".
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $(Self::$kind => $name,)* }
            }

            /// What is written after the name; brackets mark what may be left out.
            #[must_use]
            pub const fn arguments(self) -> &'static str {
                match self { $(Self::$kind => $arguments,)* }
            }

            /// What it does, in one line.
            #[must_use]
            pub const fn explanation(self) -> &'static str {
                match self { $(Self::$kind => $explanation,)* }
            }
        }
    };
}

fault_kinds! {
    SensorBreak "sensor-break" "TAG" "the register says that there is no value, as with a broken wire";
    Stuck "stuck" "TAG" "the register keeps what it shows now";
    Drift "drift" "TAG PER_MINUTE" "the register shows an error that grows by this much of its unit each minute";
    SetpointTurned "setpoint-turned" "TAG VALUE" "somebody entered another setpoint, in the signal's unit";
    HeatLow "heat-low" "[KELVIN]" "the fryer's heat is limited: oil settles this far (6 K) below its setpoint, demand rises to 100 %";
    BurnerOut "burner-out" "[TAG]" "the burner of the oven zone with this temperature tag (of every zone) has lost its flame";
    FlowLow "flow-low" "[M3_PER_HOUR]" "the fryer's oil flow falls to this value (32 m3/h): the outlet gets cold while the inlet holds";
    BeltSlip "belt-slip" "TAG [PERCENT]" "the belt with this speed tag runs slower by this share (5 %): product stays longer";
    ControllerSilent "controller-silent" "NAME" "the controller takes requests and never answers";
    ControllerSlow "controller-slow" "NAME DELAY" "the controller answers this much later, such as \"400 ms\"";
    ControllerException "controller-exception" "NAME CODE" "the controller refuses every request with this exception code, 1 to 255";
    ControllerDrop "controller-drop" "NAME" "the controller closes the connection at every request";
    ControllerShort "controller-short" "NAME" "the controller answers with one register too few";
    ProgramStopped "program-stopped" "NAME" "the controller answers, but its program stands still: heartbeat and values freeze";
}

/// How far below its setpoint the oil settles when nothing else is said, K.
const HEAT_LOW_K: f64 = 6.0;
/// Oil flow that is left when nothing else is said, m3/h; the recipe asks for at least 40.
const LOW_FLOW_M3_PER_H: f64 = 32.0;
/// Slip when nothing else is said, %.
const SLIP_PERCENT: f64 = 5.0;

/// Why a fault can't be brought about.
#[derive(Debug, Clone, PartialEq)]
pub enum FaultError {
    /// There is no such kind of fault.
    UnknownKind {
        /// The word found.
        found: String,
    },
    /// The words after the name don't fit.
    WrongArguments {
        /// The kind of fault.
        kind: FaultKind,
        /// The words found after it.
        found: String,
    },
    /// The line has no such signal.
    UnknownTag {
        /// The tag found.
        found: String,
        /// The nearest tag of the line.
        nearest: Option<String>,
    },
    /// The line has no such controller.
    UnknownController {
        /// The name found.
        found: String,
        /// Names of the line's controllers.
        known: Vec<String>,
    },
    /// The signal is not of the sort that the fault is about.
    WrongSignal {
        /// Its tag.
        tag: String,
        /// What sort it would have to be.
        wanted: &'static str,
    },
    /// The value is outside what can be.
    OutOfRange {
        /// The value found.
        found: f64,
        /// Lowest accepted.
        low: f64,
        /// Highest accepted.
        high: f64,
    },
    /// The line has nothing that could have this fault.
    NotOnThisLine {
        /// The kind of fault.
        kind: FaultKind,
        /// What the line file lacks.
        lacks: &'static str,
    },
}

impl fmt::Display for FaultError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownKind { found } => {
                let near = nearest(found, FaultKind::ALL.iter().map(|kind| kind.name()));
                write!(f, "unknown fault \"{found}\"{}; `sim-plc faults` lists them all", did_you_mean(near))
            }
            Self::WrongArguments { kind, found } => {
                let (name, arguments) = (kind.name(), kind.arguments());
                write!(f, "\"{name}\" is followed by \"{found}\"; write `{name} {arguments}`")
            }
            Self::UnknownTag { found, nearest } => {
                write!(f, "the line has no signal \"{found}\"{}", did_you_mean(nearest.as_deref()))
            }
            Self::UnknownController { found, known } => {
                write!(f, "the line has no controller \"{found}\"; it has {}", known.join(", "))
            }
            Self::WrongSignal { tag, wanted } => write!(f, "signal {tag} is not {wanted}"),
            Self::OutOfRange { found, low, high } => {
                write!(f, "{found} is out of range; {low} to {high} is accepted")
            }
            Self::NotOnThisLine { kind, lacks } => {
                write!(
                    f,
                    "\"{}\" does nothing on this line: it has no signal that means {lacks}",
                    kind.name()
                )
            }
        }
    }
}

impl std::error::Error for FaultError {}

fn did_you_mean(nearest: Option<&str>) -> String {
    nearest.map(|name| format!(", nearest is \"{name}\"")).unwrap_or_default()
}

/// The candidate most like `found`, unless none is much alike.
pub(crate) fn nearest<'a>(found: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    // Below 0.6 a suggestion misleads more often than it helps.
    candidates
        .map(|candidate| (strsim::jaro_winkler(&found.to_lowercase(), &candidate.to_lowercase()), candidate))
        .filter(|(likeness, _)| *likeness > 0.6)
        // The first of equals, unlike `max_by`.
        .min_by(|(one, _), (other, _)| other.total_cmp(one))
        .map(|(_, candidate)| candidate)
}

impl Fault {
    /// Its kind.
    #[must_use]
    pub const fn kind(&self) -> FaultKind {
        match self {
            Self::SensorBreak { .. } => FaultKind::SensorBreak,
            Self::Stuck { .. } => FaultKind::Stuck,
            Self::Drift { .. } => FaultKind::Drift,
            Self::SetpointTurned { .. } => FaultKind::SetpointTurned,
            Self::HeatLow { .. } => FaultKind::HeatLow,
            Self::BurnerOut { .. } => FaultKind::BurnerOut,
            Self::FlowLow { .. } => FaultKind::FlowLow,
            Self::BeltSlip { .. } => FaultKind::BeltSlip,
            Self::ControllerSilent { .. } => FaultKind::ControllerSilent,
            Self::ControllerSlow { .. } => FaultKind::ControllerSlow,
            Self::ControllerException { .. } => FaultKind::ControllerException,
            Self::ControllerDrop { .. } => FaultKind::ControllerDrop,
            Self::ControllerShort { .. } => FaultKind::ControllerShort,
            Self::ProgramStopped { .. } => FaultKind::ProgramStopped,
        }
    }

    /// The tag or controller name that it is about; `None` when it is about the whole line.
    #[must_use]
    pub fn subject(&self) -> Option<&str> {
        match self {
            Self::SensorBreak { tag }
            | Self::Stuck { tag }
            | Self::Drift { tag, .. }
            | Self::SetpointTurned { tag, .. }
            | Self::BeltSlip { tag, .. } => Some(tag),
            Self::BurnerOut { tag } => tag.as_deref(),
            Self::ControllerSilent { name }
            | Self::ControllerSlow { name, .. }
            | Self::ControllerException { name, .. }
            | Self::ControllerDrop { name }
            | Self::ControllerShort { name }
            | Self::ProgramStopped { name } => Some(name),
            Self::HeatLow { .. } | Self::FlowLow { .. } => None,
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.kind().name())?;
        if let Some(subject) = self.subject() {
            write!(f, " {subject}")?;
        }
        match self {
            Self::Drift { per_minute: number, .. }
            | Self::SetpointTurned { value: number, .. }
            | Self::HeatLow { below_k: number }
            | Self::FlowLow { flow_m3_per_h: number }
            | Self::BeltSlip { lost_percent: number, .. } => write!(f, " {number}"),
            Self::ControllerSlow { delay, .. } => write!(f, " {} ms", delay.as_millis()),
            Self::ControllerException { code, .. } => write!(f, " {code}"),
            Self::SensorBreak { .. }
            | Self::Stuck { .. }
            | Self::BurnerOut { .. }
            | Self::ControllerSilent { .. }
            | Self::ControllerDrop { .. }
            | Self::ControllerShort { .. }
            | Self::ProgramStopped { .. } => Ok(()),
        }
    }
}

impl FromStr for FaultKind {
    type Err = FaultError;

    fn from_str(name: &str) -> Result<Self, FaultError> {
        let kind = Self::ALL.iter().copied().find(|kind| kind.name() == name);
        kind.ok_or_else(|| FaultError::UnknownKind { found: name.to_owned() })
    }
}

impl FromStr for Fault {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let mut words = text.split_whitespace();
        let kind: FaultKind = words.next().unwrap_or_default().parse()?;
        let words: Vec<_> = words.collect();
        fault_from_words(kind, &words)
            .ok_or_else(|| FaultError::WrongArguments { kind, found: words.join(" ") })
    }
}

fn fault_from_words(kind: FaultKind, words: &[&str]) -> Option<Fault> {
    Some(match (kind, words) {
        (FaultKind::SensorBreak, [tag]) => Fault::SensorBreak { tag: (*tag).to_owned() },
        (FaultKind::Stuck, [tag]) => Fault::Stuck { tag: (*tag).to_owned() },
        (FaultKind::Drift, [tag, rate]) => Fault::Drift { tag: (*tag).to_owned(), per_minute: number(rate)? },
        (FaultKind::SetpointTurned, [tag, value]) => {
            Fault::SetpointTurned { tag: (*tag).to_owned(), value: number(value)? }
        }
        (FaultKind::HeatLow, []) => Fault::HeatLow { below_k: HEAT_LOW_K },
        (FaultKind::HeatLow, [below]) => Fault::HeatLow { below_k: number(below)? },
        (FaultKind::BurnerOut, []) => Fault::BurnerOut { tag: None },
        (FaultKind::BurnerOut, [tag]) => Fault::BurnerOut { tag: Some((*tag).to_owned()) },
        (FaultKind::FlowLow, []) => Fault::FlowLow { flow_m3_per_h: LOW_FLOW_M3_PER_H },
        (FaultKind::FlowLow, [flow]) => Fault::FlowLow { flow_m3_per_h: number(flow)? },
        (FaultKind::BeltSlip, [tag]) => {
            Fault::BeltSlip { tag: (*tag).to_owned(), lost_percent: SLIP_PERCENT }
        }
        (FaultKind::BeltSlip, [tag, lost]) => {
            Fault::BeltSlip { tag: (*tag).to_owned(), lost_percent: number(lost)? }
        }
        (FaultKind::ControllerSilent, [name]) => Fault::ControllerSilent { name: (*name).to_owned() },
        (FaultKind::ControllerSlow, [name, delay @ ..]) => Fault::ControllerSlow {
            name: (*name).to_owned(),
            delay: setward_config::parse_time(&delay.join(" ")).ok()?,
        },
        (FaultKind::ControllerException, [name, code]) => {
            let code = code.parse().ok().filter(|code| *code != 0)?;
            Fault::ControllerException { name: (*name).to_owned(), code }
        }
        (FaultKind::ControllerDrop, [name]) => Fault::ControllerDrop { name: (*name).to_owned() },
        (FaultKind::ControllerShort, [name]) => Fault::ControllerShort { name: (*name).to_owned() },
        (FaultKind::ProgramStopped, [name]) => Fault::ProgramStopped { name: (*name).to_owned() },
        (
            FaultKind::SensorBreak
            | FaultKind::Stuck
            | FaultKind::Drift
            | FaultKind::SetpointTurned
            | FaultKind::HeatLow
            | FaultKind::BurnerOut
            | FaultKind::FlowLow
            | FaultKind::BeltSlip
            | FaultKind::ControllerSilent
            | FaultKind::ControllerSlow
            | FaultKind::ControllerException
            | FaultKind::ControllerDrop
            | FaultKind::ControllerShort
            | FaultKind::ProgramStopped,
            _,
        ) => return None,
    })
}

fn number(word: &str) -> Option<f64> {
    word.parse().ok().filter(|number: &f64| number.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_refused(text: &str, message: &str) {
        assert_eq!(text.parse::<Fault>().unwrap_err().to_string(), message);
    }

    #[test]
    fn every_fault_reads_back_what_it_prints() {
        let texts = [
            "sensor-break TT-310",
            "stuck TT-310",
            "drift TT-310 -0.5",
            "setpoint-turned TIC-310-SP 183.5",
            "heat-low 6",
            "burner-out",
            "burner-out TT-202",
            "flow-low 32",
            "belt-slip ST-340 5",
            "controller-silent oven",
            "controller-slow oven 400 ms",
            "controller-exception oven 4",
            "controller-drop oven",
            "controller-short oven",
            "program-stopped oven",
        ];
        for text in texts {
            assert_eq!(text.parse::<Fault>().unwrap().to_string(), text);
        }
        for kind in FaultKind::ALL {
            assert!(texts.iter().any(|text| text.starts_with(kind.name())), "{kind:?} is not tried");
        }
    }

    #[test]
    fn what_is_left_out_is_filled_in() {
        assert_eq!("heat-low".parse(), Ok(Fault::HeatLow { below_k: 6.0 }));
        assert_eq!("flow-low".parse(), Ok(Fault::FlowLow { flow_m3_per_h: 32.0 }));
        assert_eq!("belt-slip ST-340".parse::<Fault>().unwrap().to_string(), "belt-slip ST-340 5");
    }

    #[test]
    fn refusals_say_what_is_accepted() {
        check_refused(
            "heat-lo",
            "unknown fault \"heat-lo\", nearest is \"heat-low\"; `sim-plc faults` lists them all",
        );
        check_refused("xyz", "unknown fault \"xyz\"; `sim-plc faults` lists them all");
        check_refused("drift TT-310", "\"drift\" is followed by \"TT-310\"; write `drift TAG PER_MINUTE`");
        check_refused(
            "controller-exception oven 0",
            "\"controller-exception\" is followed by \"oven 0\"; write `controller-exception NAME CODE`",
        );
        check_refused("heat-low NaN", "\"heat-low\" is followed by \"NaN\"; write `heat-low [KELVIN]`");
    }
}
