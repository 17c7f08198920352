//! The only place that speaks with a mail relay: one mail an address, by `lettre`.
//!
//! An address that the relay refuses for good keeps no other from its mail. A repeat has the same Message-ID, and goes only to
//! those that have not got it yet.

use super::deliver::{Deliver, Receipt, SendError, chain, one_line};
use super::message::{Message, Subject};
use super::secret;
use async_trait::async_trait;
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Mailbox, Message as Mail};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::transport::smtp::extension::ClientId;
use lettre::{Address, AsyncSmtpTransport, AsyncTransport as _, Tokio1Executor};
use setward_config::line::{MailTls, MailTo, Relay};
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, UNIX_EPOCH};

/// How long one mail may take, from the connection to the relay's last word.
const MAIL_WITHIN: Duration = Duration::from_secs(20);

/// Mail to a group of receivers.
#[derive(Debug)]
pub(super) struct Mailer {
    to: MailTo,
    /// Key of the last message, and who has it already.
    has: Mutex<(String, BTreeSet<String>)>,
}

impl Mailer {
    pub(super) const fn new(to: MailTo) -> Self {
        Self { to, has: Mutex::new((String::new(), BTreeSet::new())) }
    }

    fn transport(&self) -> Result<AsyncSmtpTransport<Tokio1Executor>, SendError> {
        let Relay { host, port, tls, login, ca } = &self.to.relay;
        let tls = match tls {
            MailTls::None => Tls::None,
            MailTls::StartTls => Tls::Required(parameters(host, ca.as_deref())?),
            MailTls::Whole => Tls::Wrapper(parameters(host, ca.as_deref())?),
        };
        let hello = self.to.from.rsplit_once('@').map_or("localhost", |(_, host)| host);
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(host.as_str())
            .port(*port)
            .tls(tls)
            .timeout(Some(MAIL_WITHIN))
            .hello_name(ClientId::Domain(hello.to_owned()));
        if let Some((user, file)) = login {
            let password =
                secret::read(file).map_err(|why| SendError::Refused(format!("the password in {why}")))?;
            builder = builder.credentials(Credentials::new(user.clone(), password));
        }
        Ok(builder.build())
    }

    /// The mail to one address. What stands in its head is one line of plain characters, and `lettre` encodes it.
    pub(super) fn mail(&self, message: &Message, to: &str) -> Result<Mail, SendError> {
        let wrong = |error: &dyn std::error::Error| {
            SendError::Refused(format!("the mail can't be made: {}", chain(error)))
        };
        let mailbox = |address: &str| -> Result<Mailbox, SendError> {
            Ok(Mailbox::new(None, address.parse::<Address>().map_err(|error| wrong(&error))?))
        };
        let host = self.to.from.rsplit_once('@').map_or("localhost", |(_, host)| host);
        let date = UNIX_EPOCH + Duration::from_millis(u64::try_from(message.made).unwrap_or(0));
        let automatic =
            HeaderValue::new(HeaderName::new_from_ascii_str("Auto-Submitted"), "auto-generated".to_owned());
        Mail::builder()
            .from(mailbox(&self.to.from)?)
            .to(mailbox(to)?)
            .subject(one_line(&message.line))
            .date(date)
            .message_id(Some(format!("<{}@{host}>", one_line(&message.key))))
            .raw_header(automatic)
            .header(ContentType::TEXT_PLAIN)
            .body(message.body.clone())
            .map_err(|error| wrong(&error))
    }

    /// Who has `message` already. A test message is sent once, maybe while another is repeated, and changes nothing here.
    fn has(&self, message: &Message) -> BTreeSet<String> {
        if message.subject == Subject::Test {
            return BTreeSet::new();
        }
        let mut has = self.has.lock().unwrap_or_else(PoisonError::into_inner);
        if has.0 != message.key {
            *has = (message.key.clone(), BTreeSet::new());
        }
        has.1.clone()
    }

    /// `to` has `message`.
    fn note(&self, message: &Message, to: &str) {
        let mut has = self.has.lock().unwrap_or_else(PoisonError::into_inner);
        if has.0 == message.key {
            has.1.insert(to.to_owned());
        }
    }

    async fn send(&self, message: &Message, to: &str) -> Result<String, SendError> {
        let mail = self.mail(message, to)?;
        let transport = self.transport()?;
        match tokio::time::timeout(MAIL_WITHIN, transport.send(mail)).await {
            Ok(Ok(answer)) => {
                let words: Vec<&str> = answer.message().collect();
                Ok(one_line(&format!("{} {}", answer.code(), words.join(" "))))
            }
            Ok(Err(error)) if error.is_permanent() => {
                Err(SendError::Refused(format!("the relay refuses the mail to {to}: {}", chain(&error))))
            }
            Ok(Err(error)) if error.is_transient() => {
                Err(SendError::Busy(format!("the relay says later: {}", chain(&error))))
            }
            Ok(Err(error)) if error.is_tls() => Err(SendError::Refused(format!(
                "the relay's certificate or its TLS is not accepted: {}; check `tls` and `ca`",
                chain(&error)
            ))),
            Ok(Err(error)) if error.is_client() => {
                Err(SendError::Refused(format!("{}; check `tls` and `user`", chain(&error))))
            }
            Ok(Err(error)) => Err(SendError::Unreachable(chain(&error))),
            Err(_late) => {
                Err(SendError::Unreachable(format!("no answer within {} s", MAIL_WITHIN.as_secs())))
            }
        }
    }
}

/// Who the relay must be.
fn parameters(host: &str, ca: Option<&Path>) -> Result<TlsParameters, SendError> {
    let mut builder = TlsParameters::builder(host.to_owned());
    if let Some(file) = ca {
        let refused = |why: String| {
            SendError::Refused(format!(
                "the certificates in {}: {why}; `ca` names a file of certificates in PEM",
                file.display()
            ))
        };
        let pem = std::fs::read(file).map_err(|error| refused(error.to_string()))?;
        let certificate = Certificate::from_pem(&pem).map_err(|error| refused(chain(&error)))?;
        builder = builder.certificate_store(CertificateStore::None).add_root_certificate(certificate);
    }
    builder.build().map_err(|error| SendError::Refused(format!("TLS to {host}: {}", chain(&error))))
}

#[async_trait]
impl Deliver for Mailer {
    async fn deliver(&self, message: &Message) -> Result<Receipt, SendError> {
        let has = self.has(message);
        let mut answer = String::new();
        let (mut refused, mut failed) = (None, None);
        let mut reached = has.len();
        for to in self.to.to.iter().filter(|to| !has.contains(*to)) {
            match self.send(message, to).await {
                Ok(words) => {
                    self.note(message, to);
                    (answer, reached) = (words, reached + 1);
                }
                Err(error @ SendError::Refused(_)) => refused = Some(error),
                Err(error) => {
                    // The relay itself is away or busy: the others would fare no better.
                    failed = Some(error);
                    break;
                }
            }
        }
        match (failed, refused) {
            (Some(error), _) => Err(error),
            (None, Some(error)) if reached == 0 => Err(error),
            (None, refused) => {
                Ok(Receipt { answer, complaint: refused.map(|error| error.text().to_owned()) })
            }
        }
    }
}

#[cfg(test)]
#[path = "mail_tests.rs"]
mod tests;
