//! Asks a running daemon on this machine, over its HTTP API.

use crate::web::doors::socket;
use axum::body::Body;
use axum::http::request::Builder;
use axum::http::{Method, Request, StatusCode, Uri, header};
use hyper_util::rt::TokioIo;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use setward_config::line::Line;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpStream, UnixStream};

/// How long an answer may take.
const ANSWER_WITHIN: Duration = Duration::from_secs(5);
/// Largest answer that is read, bytes: the largest line's alarms fit many times.
const MOST_BYTES: usize = 64 << 20;
/// Names under which the daemon answers.
const HOSTS: [&str; 4] = ["127.0.0.1", "localhost", "[::1]", "::1"];

/// Where a daemon is: its page's address, "127.0.0.1:8470", and the socket in its data folder, which needs no login.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Daemon {
    page: String,
    socket: Option<PathBuf>,
}

/// A connection to it, over the one or the other.
trait Connection: AsyncRead + AsyncWrite + Unpin + Send {}

impl<T: AsyncRead + AsyncWrite + Unpin + Send> Connection for T {}

impl Daemon {
    /// The daemon that watches `line`.
    pub(crate) fn of_line(line: &Line) -> Self {
        Self { page: line.page_address.to_string(), socket: Some(socket::path(&line.data_dir)) }
    }

    /// The daemon whose data is in `data_dir`, if somebody listens at the socket there.
    ///
    /// # Errors
    /// When somebody may, and can't be asked.
    pub(crate) async fn at_socket(data_dir: &Path) -> Result<Option<Self>, String> {
        let socket = socket::path(data_dir);
        match UnixStream::connect(&socket).await {
            Ok(_listens) => Ok(Some(Self { page: "localhost".to_owned(), socket: Some(socket) })),
            // One that was left behind by a kill refuses.
            Err(error)
                if matches!(error.kind(), io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused) =>
            {
                Ok(None)
            }
            Err(error) => Err(format!("the daemon's socket {} can't be reached: {error}", socket.display())),
        }
    }

    /// The daemon whose page is at `url`.
    ///
    /// # Errors
    /// When that is no address of this machine.
    pub(crate) fn of_url(url: &str) -> Result<Self, String> {
        let uri: Uri = url.parse().map_err(|_| format!("`{url}` is no address; write {EXAMPLE}"))?;
        let host = uri.host().unwrap_or_default();
        if uri.scheme_str() != Some("http") || !HOSTS.contains(&host) {
            return Err(format!("`{url}` is not on this machine over http; write {EXAMPLE}"));
        }
        let port = uri.port_u16().unwrap_or(80);
        Ok(Self { page: format!("{host}:{port}"), socket: None })
    }

    /// The answer to a read of `path` that can only go well.
    ///
    /// # Errors
    /// In words, with what to do: when nobody answers in time, or something else than a Setward daemon does.
    pub(crate) async fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, String> {
        self.read(path).await?.map_err(|_refused| self.unlike())
    }

    /// The answer to a read of `path`; inside, what the daemon says against it.
    ///
    /// # Errors
    /// As [`Self::get`].
    pub(crate) async fn read<T: DeserializeOwned>(&self, path: &str) -> Result<Result<T, String>, String> {
        self.asked(Request::get(path), Body::empty()).await
    }

    /// The answer to a person's wish, for which the daemon may take `within`; inside, why it refuses.
    ///
    /// # Errors
    /// As [`Self::get`].
    pub(crate) async fn post_within<T: DeserializeOwned>(
        &self,
        path: &str,
        body: &Value,
        within: Duration,
    ) -> Result<Result<T, String>, String> {
        let request = Request::post(path).header(header::CONTENT_TYPE, "application/json");
        self.asked_within(request, Body::from(body.to_string()), within).await
    }

    /// Whether anybody listens there.
    pub(crate) async fn is_there(&self) -> bool {
        matches!(tokio::time::timeout(ANSWER_WITHIN, self.connect()).await, Ok(Ok(_)))
    }

    /// By the socket if somebody answers there; one that was left behind by a kill is passed by.
    async fn connect(&self) -> io::Result<Box<dyn Connection>> {
        if let Some(socket) = &self.socket
            && let Ok(stream) = UnixStream::connect(socket).await
        {
            return Ok(Box::new(stream));
        }
        Ok(Box::new(TcpStream::connect(&self.page).await?))
    }

    async fn asked<T: DeserializeOwned>(
        &self,
        request: Builder,
        body: Body,
    ) -> Result<Result<T, String>, String> {
        self.asked_within(request, body, ANSWER_WITHIN).await
    }

    async fn asked_within<T: DeserializeOwned>(
        &self,
        request: Builder,
        body: Body,
        within: Duration,
    ) -> Result<Result<T, String>, String> {
        let (status, body) = self.in_time(request, body, within).await?;
        if status == StatusCode::OK {
            return serde_json::from_slice(&body).map(Ok).map_err(|_| self.unlike());
        }
        let refused: Refused = serde_json::from_slice(&body).map_err(|_| self.unlike())?;
        Ok(Err(refused.text()))
    }

    /// The answer to `body`, posted to `path`, whatever its status says.
    ///
    /// # Errors
    /// As [`Self::get`].
    pub(crate) async fn tell(&self, path: &str, body: &Value) -> Result<(StatusCode, Value), String> {
        self.tell_within(path, body, ANSWER_WITHIN).await
    }

    /// The same, for which the daemon may take `within`.
    ///
    /// # Errors
    /// As [`Self::get`].
    pub(crate) async fn tell_within(
        &self,
        path: &str,
        body: &Value,
        within: Duration,
    ) -> Result<(StatusCode, Value), String> {
        let request = Request::post(path).header(header::CONTENT_TYPE, "application/json");
        let (status, body) = self.in_time(request, Body::from(body.to_string()), within).await?;
        serde_json::from_slice(&body).map(|answer| (status, answer)).map_err(|_| self.unlike())
    }

    async fn in_time(
        &self,
        request: Builder,
        body: Body,
        within: Duration,
    ) -> Result<(StatusCode, Vec<u8>), String> {
        let page = &self.page;
        let connected = tokio::time::timeout(ANSWER_WITHIN, self.connect()).await;
        let stream = connected.unwrap_or_else(|_late| Err(io::ErrorKind::TimedOut.into())).map_err(|error| {
            format!(
                "the daemon at {page} can't be reached: {error}; start it with `setward run`, or give the address of its page with --url"
            )
        })?;
        // From here on it is there, and may do what it was asked although nobody hears of it.
        let advice = if request.method_ref() == Some(&Method::GET) {
            "ask again in a moment"
        } else {
            "what was asked may still be done: look before you ask again"
        };
        let answered = tokio::time::timeout(within, self.fetch(stream, request, body)).await;
        let answered =
            answered.unwrap_or_else(|_late| Err(format!("gave no answer within {} s", within.as_secs())));
        answered.map_err(|why| format!("the daemon at {page} is there, but {why}; {advice}"))
    }

    fn unlike(&self) -> String {
        format!("what answers at {} is no Setward daemon of this version; check the address", self.page)
    }

    async fn fetch(
        &self,
        stream: Box<dyn Connection>,
        request: Builder,
        body: Body,
    ) -> Result<(StatusCode, Vec<u8>), String> {
        let failed = |error: hyper::Error| format!("broke off: {error}");
        let (mut sender, connection) =
            hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(failed)?;
        // It ends with the answer; what goes wrong on it shows in the answer.
        let driving = tokio::spawn(connection);
        let request = request.header(header::HOST, &self.page).body(body);
        let request = request.map_err(|error| format!("can't be asked: {error}"))?;
        let answer = sender.send_request(request).await.map_err(failed)?;
        let status = answer.status();
        let body = axum::body::to_bytes(Body::new(answer.into_body()), MOST_BYTES).await;
        driving.abort();
        let body = body.map_err(|error| format!("broke off: {error}"))?;
        Ok((status, body.to_vec()))
    }
}

/// What the daemon says against a request (RFC 9457).
#[derive(Deserialize)]
struct Refused {
    detail: String,
    nearest: Option<String>,
}

impl Refused {
    fn text(self) -> String {
        let nearest = self.nearest.map(|name| format!("; did you mean `{name}`?")).unwrap_or_default();
        format!("{}{nearest}", self.detail)
    }
}

const EXAMPLE: &str = "http://127.0.0.1:8470";

#[cfg(test)]
mod tests {
    use super::*;

    fn page(address: &str) -> Daemon {
        Daemon { page: address.to_owned(), socket: None }
    }

    #[test]
    fn only_this_machine_is_asked() {
        assert_eq!(Daemon::of_url("http://127.0.0.1:8470/"), Ok(page("127.0.0.1:8470")));
        assert_eq!(Daemon::of_url("http://localhost"), Ok(page("localhost:80")));
        assert_eq!(Daemon::of_url("http://[::1]:9/alarms"), Ok(page("[::1]:9")));
        for wrong in ["https://127.0.0.1:8470", "http://plant.example", "127.0.0.1:8470", "", "http://"] {
            assert!(Daemon::of_url(wrong).is_err_and(|text| text.contains(EXAMPLE)), "{wrong}");
        }
    }

    #[tokio::test]
    async fn nobody_there_is_told_with_what_to_do() {
        let port = {
            let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
            listener.local_addr().unwrap()
        };
        let told = page(&port.to_string()).get::<serde_json::Value>("/api/v1/alarms").await.unwrap_err();
        assert!(told.contains("can't be reached") && told.contains("setward run"), "{told}");
    }
    #[tokio::test(start_paused = true)]
    async fn one_that_is_late_may_still_do_it_and_no_second_one_is_to_be_started() {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let daemon = page(&listener.local_addr().unwrap().to_string());
        let told = daemon.tell("/api/v1/reload", &serde_json::json!({})).await.unwrap_err();
        assert!(told.contains("no answer within 5 s") && told.contains("may still be done"), "{told}");
        assert!(!told.contains("setward run"), "{told}");
        let told = daemon.get::<Value>("/api/v1/alarms").await.unwrap_err();
        assert!(told.contains("ask again in a moment") && !told.contains("setward run"), "{told}");
    }

    #[tokio::test]
    async fn a_socket_that_nobody_listens_at_is_nobody_and_one_that_can_not_be_reached_is_told() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(Daemon::at_socket(folder.path()).await, Ok(None));
        let path = socket::path(folder.path());
        let listener = std::os::unix::net::UnixListener::bind(&path).unwrap();
        assert!(Daemon::at_socket(folder.path()).await.unwrap().is_some());
        drop(listener);
        assert_eq!(Daemon::at_socket(folder.path()).await, Ok(None), "left behind by a kill");
        let file = folder.path().join("a-file");
        std::fs::write(&file, "").unwrap();
        assert!(Daemon::at_socket(&file).await.unwrap_err().contains("can't be reached"));
    }
}
