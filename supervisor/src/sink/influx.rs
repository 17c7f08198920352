//! The only place that speaks with a server: the write call of the InfluxDB v2 API, by the `influxdb2` crate.
//!
//! The crate's HTTP parts are old; `deny.toml` lists what is known of them. It writes only; reading back stays local. Its call
//! with one body sends what it is given: it is given packed lines, by a client that says so in each request.

use super::{PointWriter, WriteError};
use async_trait::async_trait;
use flate2::Compression;
use flate2::write::GzEncoder;
use influxdb2::api::write::TimestampPrecision;
use influxdb2::{Client, ClientBuilder, RequestError};
use reqwest_of_influxdb2 as reqwest;
use setward_config::line::Server;
use std::io::Write as _;
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// How long a write may take.
const WRITE_WITHIN: Duration = Duration::from_secs(10);
/// How long a connection may take.
const CONNECT_WITHIN: Duration = Duration::from_secs(3);
/// Most of a server's own words that are passed on, characters.
const WORDS_MAX: usize = 300;

/// A server of the InfluxDB v2 API.
#[derive(Debug)]
pub(super) struct InfluxWriter {
    server: Server,
    /// The client and the token that it was made with.
    client: Mutex<Option<(String, Client)>>,
}

impl InfluxWriter {
    pub(super) const fn new(server: Server) -> Self {
        Self { server, client: Mutex::new(None) }
    }

    /// The client; a new one when the token's file has changed.
    fn client(&self) -> Result<Client, WriteError> {
        let token = self.server.token_file.as_deref().map_or_else(|| Ok(String::new()), read_token)?;
        let mut kept = self.client.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((known, client)) = kept.as_ref()
            && *known == token
        {
            return Ok(client.clone());
        }
        let url = &self.server.url;
        let ca = self.server.ca.as_ref().map_or_else(String::new, |file| {
            format!("; `ca` names {}, which must hold certificates in PEM", file.display())
        });
        let unusable = |error: String| WriteError::Refused(format!("{url} can't be used: {error}{ca}"));
        // The crate panics on an address that is none.
        reqwest::Url::parse(url).map_err(|error| unusable(error.to_string()))?;
        let http = self.http()?.default_headers(packed_headers());
        let client =
            ClientBuilder::with_builder(http, url.as_str(), self.server.org.as_str(), token.as_str())
                .build()
                .map_err(|error| unusable(error.to_string()))?;
        *kept = Some((token, client.clone()));
        Ok(client)
    }

    /// With time limits, and with the plant's own authority in place of the web's if the file names one.
    fn http(&self) -> Result<reqwest::ClientBuilder, WriteError> {
        let http =
            reqwest::ClientBuilder::new().timeout(WRITE_WITHIN).connect_timeout(CONNECT_WITHIN).no_proxy();
        let Some(file) = &self.server.ca else { return Ok(http) };
        let certificates = read_certificates(file)?;
        let http = http.tls_built_in_root_certs(false);
        Ok(certificates.into_iter().fold(http, reqwest::ClientBuilder::add_root_certificate))
    }
}

/// What every request with lines says: its body is packed.
fn packed_headers() -> reqwest::header::HeaderMap {
    use reqwest::header::{CONTENT_ENCODING, HeaderMap, HeaderValue};
    HeaderMap::from_iter([(CONTENT_ENCODING, HeaderValue::from_static("gzip"))])
}

/// Lines as they are sent: a fifth of their size, at a few percent of what making them costs.
pub(super) fn packed(lines: &str) -> std::io::Result<Vec<u8>> {
    let mut out = GzEncoder::new(Vec::with_capacity(lines.len() / 8), Compression::fast());
    out.write_all(lines.as_bytes())?;
    out.finish()
}

/// The certificates of a PEM file.
fn read_certificates(file: &Path) -> Result<Vec<reqwest::Certificate>, WriteError> {
    const END: &str = "-----END CERTIFICATE-----";
    let refused = |why: &str| {
        let file = file.display();
        WriteError::Refused(format!(
            "the certificates in {file}: {why}; `ca` names a file of certificates in PEM"
        ))
    };
    let text = std::fs::read_to_string(file).map_err(|error| refused(&error.to_string()))?;
    let blocks = text.split_inclusive(END).filter(|block| block.contains(END));
    let certificates: Vec<_> = blocks
        .map(|block| reqwest::Certificate::from_pem(block.as_bytes()))
        .collect::<Result<_, _>>()
        .map_err(|error| refused(&error.to_string()))?;
    if certificates.is_empty() { Err(refused("there is none")) } else { Ok(certificates) }
}

/// The token, without the end of its line.
fn read_token(file: &Path) -> Result<String, WriteError> {
    let refused = |why: String| WriteError::Refused(format!("the token in {}: {why}", file.display()));
    let text = std::fs::read_to_string(file).map_err(|error| refused(error.to_string()))?;
    let token = text.trim();
    if token.is_empty() || !token.chars().all(|letter| letter.is_ascii_graphic()) {
        return Err(refused("it is empty or not one word; write the token and nothing else".to_owned()));
    }
    Ok(token.to_owned())
}

#[async_trait]
impl PointWriter for InfluxWriter {
    async fn write(&self, lines: String) -> Result<(), WriteError> {
        let client = self.client()?;
        let (org, bucket) = (&self.server.org, &self.server.bucket);
        let body = packed(&lines).map_err(|error| WriteError::Unreachable(format!("packing: {error}")))?;
        let written = client
            .write_line_protocol_with_precision(org, bucket, body, TimestampPrecision::Milliseconds)
            .await;
        match written {
            Ok(()) => Ok(()),
            Err(RequestError::Http { status, text }) => of_status(status.as_u16(), &text),
            Err(RequestError::ReqwestProcessing { source }) if source.is_builder() => {
                Err(WriteError::Refused(source.to_string()))
            }
            Err(error) => Err(WriteError::Unreachable(chain(&error))),
        }
    }

    async fn started(&self) -> Option<String> {
        // What servers of this kind tell for monitoring; without it a restart shows only by a failed write.
        let url = format!("{}/metrics", self.server.url);
        let answer = self.http().ok()?.build().ok()?.get(url).send().await.ok()?;
        let text = answer.error_for_status().ok()?.text().await.ok()?;
        let line = text.lines().find(|line| line.starts_with("process_start_time_seconds "))?;
        Some(line.to_owned())
    }
}

/// What an answer other than 204 means.
fn of_status(status: u16, text: &str) -> Result<(), WriteError> {
    let words: String =
        text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).take(WORDS_MAX).collect();
    let told = format!("it answers {status}: {}", words.trim());
    Err(match status {
        200..=299 => return Ok(()),
        400 | 422 => WriteError::BadPoint(told),
        413 => WriteError::TooLarge(told),
        // Something before the server says so: what becomes of it is not known.
        502 | 504 => WriteError::Unreachable(told),
        408 | 429 | 500..=599 => WriteError::Busy(told),
        401 | 403 => {
            WriteError::Refused(format!("{told}; check the token in `token_file`, and what it allows"))
        }
        _ => WriteError::Refused(format!("{told}; check `url`, `org` and `bucket`")),
    })
}

/// An error with its causes: the outermost says only that there was one.
fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        let words = inner.to_string();
        if !text.contains(&words) {
            text.push_str(": ");
            text.push_str(&words);
        }
        cause = inner.source();
    }
    text
}

#[cfg(test)]
#[path = "tls_tests.rs"]
mod tls_tests;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_answer_has_its_consequence() {
        let kind = |status| of_status(status, "why\nso");
        assert_eq!(kind(204), Ok(()));
        assert_eq!(kind(400), Err(WriteError::BadPoint("it answers 400: why so".to_owned())));
        assert!(matches!(kind(422), Err(WriteError::BadPoint(_))));
        assert!(matches!(kind(413), Err(WriteError::TooLarge(_))));
        for busy in [408, 429, 500, 503] {
            assert!(matches!(kind(busy), Err(WriteError::Busy(_))), "{busy}");
        }
        for away in [502, 504] {
            assert!(matches!(kind(away), Err(WriteError::Unreachable(_))), "{away}");
        }
        assert!(matches!(kind(401), Err(WriteError::Refused(text)) if text.contains("check the token")));
        assert!(matches!(kind(404), Err(WriteError::Refused(text)) if text.contains("bucket")));
        assert!(matches!(kind(302), Err(WriteError::Refused(_))));
    }

    #[test]
    fn a_token_is_one_word_from_a_file_and_a_missing_one_is_told_with_its_file() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("token");
        assert!(read_token(&file).unwrap_err().text().contains("token"), "no such file");
        std::fs::write(&file, "abc==\n").unwrap();
        assert_eq!(read_token(&file), Ok("abc==".to_owned()));
        for wrong in ["", "\n", "two words", "two\nlines"] {
            std::fs::write(&file, wrong).unwrap();
            assert!(read_token(&file).unwrap_err().text().contains("nothing else"), "{wrong:?}");
        }
    }

    #[tokio::test]
    async fn nobody_there_and_an_address_that_is_none_are_told_apart() {
        let server = |url: &str| Server {
            name: "central".to_owned(),
            url: url.to_owned(),
            org: String::new(),
            bucket: "line".to_owned(),
            token_file: None,
            ca: None,
            send: None,
            behind_most: std::time::Duration::from_secs(900),
        };
        let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let away = InfluxWriter::new(server(&format!("http://127.0.0.1:{port}")));
        let told = away.write("x value=1".to_owned()).await.unwrap_err();
        assert!(matches!(&told, WriteError::Unreachable(text) if text.contains("refused")), "{told:?}");
        assert_eq!(away.started().await, None);
        let none = InfluxWriter::new(server("http://[half"));
        assert!(matches!(none.write("x value=1".to_owned()).await, Err(WriteError::Refused(_))));
    }
}
