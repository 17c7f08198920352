//! The only place that posts messages to another program.
//!
//! README.md beside this file is for whoever writes that program: body, signature, repeats.

use super::deliver::{Deliver, Receipt, SendError, chain, one_line};
use super::letter::Letterhead;
use super::message::Message;
use super::secret;
use crate::clock::Clock;
use async_trait::async_trait;
use hmac::{Hmac, Mac as _};
use reqwest_of_influxdb2 as reqwest;
use setward_config::line::{Line, Webhook};
use sha2::Sha256;
use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

/// How long a post may take, answer included.
const POST_WITHIN: Duration = Duration::from_secs(15);
/// How long a connection may take.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);

/// Another program behind an address.
#[derive(Debug)]
pub(super) struct Poster {
    hook: Webhook,
    head: Letterhead,
    clock: Clock,
}

impl Poster {
    pub(super) fn new(hook: Webhook, line: &Line, clock: Clock) -> Self {
        Self { hook, head: Letterhead::of(line), clock }
    }

    fn client(&self) -> Result<reqwest::Client, SendError> {
        let builder = reqwest::ClientBuilder::new()
            .timeout(POST_WITHIN)
            .connect_timeout(CONNECT_WITHIN)
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy();
        let builder = match &self.hook.ca {
            Some(file) => builder.tls_built_in_root_certs(false).add_root_certificate(certificate(file)?),
            None => builder,
        };
        builder.build().map_err(|error| SendError::Refused(chain(&error)))
    }
}

fn certificate(file: &Path) -> Result<reqwest::Certificate, SendError> {
    let refused = |why: String| {
        SendError::Refused(format!(
            "the certificates in {}: {why}; `ca` names a certificate in PEM",
            file.display()
        ))
    };
    let pem = std::fs::read(file).map_err(|error| refused(error.to_string()))?;
    reqwest::Certificate::from_pem(&pem).map_err(|error| refused(chain(&error)))
}

/// The signature of `body`, sent at `seconds` after 1970: HMAC-SHA-256 by `key` over the seconds, a point, and the body.
pub(super) fn signature(key: &str, seconds: i64, body: &str) -> Option<String> {
    // HMAC takes a key of any length.
    let mut mac = Hmac::<Sha256>::new_from_slice(key.as_bytes()).ok()?;
    mac.update(format!("{seconds}.").as_bytes());
    mac.update(body.as_bytes());
    let mut hex = "sha256=".to_owned();
    for byte in mac.finalize().into_bytes() {
        // Writing to a string can't fail.
        let _infallible = write!(hex, "{byte:02x}");
    }
    Some(hex)
}

#[async_trait]
impl Deliver for Poster {
    async fn deliver(&self, message: &Message) -> Result<Receipt, SendError> {
        let refused = |why: String| SendError::Refused(format!("the secret in {why}"));
        let key = secret::read(&self.hook.secret_file).map_err(refused)?;
        if key.len() < secret::KEY_LEAST || key.contains(char::is_whitespace) {
            let file = self.hook.secret_file.display();
            return Err(refused(format!("{file}: it is no word of {} letters or more", secret::KEY_LEAST)));
        }
        let body = self.head.body(message);
        let seconds = self.clock.utc().0.div_euclid(1000);
        let signed = signature(&key, seconds, &body).ok_or_else(|| refused("it can't be used".to_owned()))?;
        let sent = self
            .client()?
            .post(&self.hook.url)
            .header("content-type", "application/json")
            .header("idempotency-key", &message.key)
            .header("setward-timestamp", seconds.to_string())
            .header("setward-signature", signed)
            .body(body)
            .send()
            .await;
        match sent {
            Ok(answer) => of_answer(answer).await,
            Err(error) if error.is_builder() => Err(SendError::Refused(chain(&error))),
            Err(error) => Err(SendError::Unreachable(chain(&error))),
        }
    }
}

/// What an answer means; of its words the first few.
async fn of_answer(mut answer: reqwest::Response) -> Result<Receipt, SendError> {
    let status = answer.status().as_u16();
    // An answer may be endless: a piece of it says enough.
    let piece = answer.chunk().await.ok().flatten().unwrap_or_default();
    let words = one_line(&String::from_utf8_lossy(piece.get(..1000).unwrap_or(&piece)));
    of_status(status, &words)
}

fn of_status(status: u16, words: &str) -> Result<Receipt, SendError> {
    let told = one_line(&format!("{status} {words}"));
    match status {
        200..=299 => Ok(Receipt { answer: told, complaint: None }),
        408 | 425 | 429 | 500..=599 => Err(SendError::Busy(format!("it answers {told}"))),
        401 | 403 => Err(SendError::Refused(format!(
            "it answers {told}; check the key in `secret_file` on both sides"
        ))),
        300..=399 => Err(SendError::Refused(format!(
            "it answers {told}: it is elsewhere; write that address as `url`"
        ))),
        _ => Err(SendError::Refused(format!("it answers {told}; check `url`"))),
    }
}

#[cfg(test)]
#[path = "webhook_tests.rs"]
mod tests;
