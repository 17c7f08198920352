//! A connection to a broker: bytes to packets and back, by the codec of `rumqttc`, over TCP or TLS. Knows nothing of alarms.

use crate::notify::deliver::{SendError, chain};
use crate::poll::dial::Stream;
use bytes::BytesMut;
use rumqttc::mqttbytes::Error as Malformed;
use rumqttc::{ConnAck, Connect, ConnectReturnCode, Packet};
use setward_config::line::{Broker, BrokerTls};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

/// How long a connection may take, TLS and the broker's first word included.
const CONNECT_WITHIN: Duration = Duration::from_secs(8);
/// How long the broker may take what is sent.
const WRITE_WITHIN: Duration = Duration::from_secs(5);
/// Largest packet that is read: nothing large is for us.
const INCOMING_MAX_BYTES: usize = 64 * 1024;
/// Largest packet that is sent.
const OUTGOING_MAX_BYTES: usize = 1024 * 1024;

/// A broker that has taken us in.
#[derive(Debug)]
pub(super) struct Wire {
    stream: Box<dyn Stream>,
    incoming: BytesMut,
}

impl Wire {
    /// Connects to `broker` and says who we are.
    pub(super) async fn open(broker: &Broker, hello: Connect) -> Result<Self, SendError> {
        let (host, port) = (broker.host.as_str(), broker.port);
        let opening = async {
            let stream = TcpStream::connect((host, port)).await;
            let stream = stream.map_err(|error| {
                SendError::Unreachable(format!("no connection to {host}:{port}: {}", chain(&error)))
            })?;
            // Small packets leave at once; without it they are merely later.
            let _slower = stream.set_nodelay(true);
            let stream: Box<dyn Stream> = match connector(&broker.tls)? {
                None => Box::new(stream),
                Some(connector) => Box::new(over_tls(&connector, host, stream).await?),
            };
            let mut wire = Self { stream, incoming: BytesMut::new() };
            wire.greet(hello).await.map(|()| wire)
        };
        let late = || {
            let within = CONNECT_WITHIN.as_secs();
            SendError::Unreachable(format!("{host}:{port} does not answer within {within} s"))
        };
        timeout(CONNECT_WITHIN, opening).await.unwrap_or_else(|_late| Err(late()))
    }

    /// Over a stream of the test's own, as if a broker had taken us in.
    #[cfg(test)]
    pub(super) fn over(stream: impl Stream + 'static) -> Self {
        Self { stream: Box::new(stream), incoming: BytesMut::new() }
    }

    async fn greet(&mut self, hello: Connect) -> Result<(), SendError> {
        self.send(&Packet::Connect(hello)).await.map_err(SendError::Unreachable)?;
        let answer = self.next().await.map_err(SendError::Unreachable)?;
        let Packet::ConnAck(ConnAck { code, .. }) = answer else {
            return Err(SendError::Refused("its greeting is none of MQTT's; check `server`".to_owned()));
        };
        taken_in(code)
    }

    /// Sends a packet, whole.
    pub(super) async fn send(&mut self, packet: &Packet) -> Result<(), String> {
        let mut bytes = BytesMut::new();
        packet.write(&mut bytes, OUTGOING_MAX_BYTES).map_err(|error| chain(&error))?;
        let sending = async {
            self.stream.write_all(&bytes).await?;
            self.stream.flush().await
        };
        match timeout(WRITE_WITHIN, sending).await {
            Ok(sent) => sent.map_err(|error| chain(&error)),
            Err(_late) => Err(format!("it takes nothing for {} s", WRITE_WITHIN.as_secs())),
        }
    }

    /// The next packet from the broker. Whoever stops waiting loses nothing.
    pub(super) async fn next(&mut self) -> Result<Packet, String> {
        loop {
            if let Some(packet) = parsed(&mut self.incoming)? {
                return Ok(packet);
            }
            match self.stream.read_buf(&mut self.incoming).await {
                Ok(0) => return Err("the broker has closed the connection".to_owned()),
                Ok(_) => {}
                Err(error) => return Err(chain(&error)),
            }
        }
    }
}

/// The packet at the front of `bytes`, taken from them, if it is all there.
///
/// # Errors
/// When it is none, or too large.
pub(in crate::notify) fn parsed(bytes: &mut BytesMut) -> Result<Option<Packet>, String> {
    match Packet::read(bytes, INCOMING_MAX_BYTES) {
        Ok(packet) => Ok(Some(packet)),
        Err(Malformed::InsufficientBytes(_)) => Ok(None),
        Err(error) => Err(format!("what it sends is not MQTT 3.1.1: {}", chain(&error))),
    }
}

fn taken_in(code: ConnectReturnCode) -> Result<(), SendError> {
    let refused = |what: &str| Err(SendError::Refused(format!("the broker refuses us: {what}")));
    match code {
        ConnectReturnCode::Success => Ok(()),
        ConnectReturnCode::ServiceUnavailable => {
            Err(SendError::Busy("the broker says that it is not available now".to_owned()))
        }
        ConnectReturnCode::RefusedProtocolVersion => refused("it does not speak MQTT 3.1.1"),
        ConnectReturnCode::BadClientId => refused("it does not like our client id"),
        ConnectReturnCode::BadUserNamePassword => refused("check `user` and the word in `password_file`"),
        ConnectReturnCode::NotAuthorized => refused("we may not connect; check `user` and its rights there"),
    }
}

async fn over_tls(
    connector: &TlsConnector,
    host: &str,
    stream: TcpStream,
) -> Result<tokio_rustls::client::TlsStream<TcpStream>, SendError> {
    let name = ServerName::try_from(host.to_owned()).map_err(|error| {
        SendError::Refused(format!("{host} can't be in a certificate: {}", chain(&error)))
    })?;
    connector.connect(name, stream).await.map_err(|error| {
        let text = format!(
            "the broker's certificate or its TLS is not accepted: {}; check `tls` and `ca`",
            chain(&error)
        );
        // What breaks off may be the network.
        if error.kind() == std::io::ErrorKind::InvalidData {
            SendError::Refused(text)
        } else {
            SendError::Unreachable(text)
        }
    })
}

/// Who the broker must be; `None` where nothing is encrypted.
fn connector(tls: &BrokerTls) -> Result<Option<TlsConnector>, SendError> {
    let mut roots = RootCertStore::empty();
    match tls {
        BrokerTls::None => return Ok(None),
        BrokerTls::Web => roots.extend(webpki_roots::TLS_SERVER_ROOTS.iter().cloned()),
        BrokerTls::Plant(file) => plant(file, &mut roots).map_err(|why| {
            SendError::Refused(format!(
                "the certificates in {}: {why}; `ca` names a file of certificates in PEM",
                file.display()
            ))
        })?,
    }
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| SendError::Refused(chain(&error)))?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Some(TlsConnector::from(Arc::new(config))))
}

fn plant(file: &Path, roots: &mut RootCertStore) -> Result<(), String> {
    let all = CertificateDer::pem_file_iter(file).map_err(|error| chain(&error))?;
    for one in all {
        let one = one.map_err(|error| chain(&error))?;
        roots.add(one).map_err(|error| chain(&error))?;
    }
    if roots.is_empty() { Err("there is none".to_owned()) } else { Ok(()) }
}
