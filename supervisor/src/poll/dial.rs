//! The seam to the network: how a connection is made. Real over TCP; in tests and virtual time over memory.

use async_trait::async_trait;
use std::fmt::Debug;
use std::io;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;

/// A connection's two directions.
pub trait Stream: AsyncRead + AsyncWrite + Unpin + Send + Debug {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send + Debug> Stream for T {}

/// Makes connections.
#[async_trait]
pub trait Dial: Send + Sync {
    /// A new connection to `endpoint` (`host:port`). The caller limits how long it may take.
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>>;
}

/// Real TCP. Small requests leave at once, and the kernel gives up on a dead link about when the poller does.
#[derive(Debug, Clone, Copy)]
pub struct TcpDial {
    /// How long sent bytes may stay unconfirmed before the kernel ends the connection.
    pub user_timeout: Duration,
}

#[async_trait]
impl Dial for TcpDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let stream = TcpStream::connect(endpoint).await?;
        stream.set_nodelay(true)?;
        let socket = socket2::SockRef::from(&stream);
        let keepalive = socket2::TcpKeepalive::new().with_time(Duration::from_secs(10));
        socket.set_tcp_keepalive(&keepalive.with_interval(Duration::from_secs(5)))?;
        #[cfg(target_os = "linux")]
        socket.set_tcp_user_timeout(Some(self.user_timeout))?;
        Ok(Box::new(stream))
    }
}
