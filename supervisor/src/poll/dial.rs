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

/// How long a connection may be idle before the kernel asks whether the other end is still there.
const IDLE_BEFORE_PROBE: Duration = Duration::from_secs(10);
/// How far apart it asks.
const BETWEEN_PROBES: Duration = Duration::from_secs(5);

#[async_trait]
impl Dial for TcpDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let stream = TcpStream::connect(endpoint).await?;
        self.prepare(&stream)?;
        Ok(Box::new(stream))
    }
}

impl TcpDial {
    fn prepare(&self, stream: &TcpStream) -> io::Result<()> {
        stream.set_nodelay(true)?;
        let socket = socket2::SockRef::from(stream);
        let keepalive =
            socket2::TcpKeepalive::new().with_time(IDLE_BEFORE_PROBE).with_interval(BETWEEN_PROBES);
        socket.set_tcp_keepalive(&keepalive)?;
        #[cfg(target_os = "linux")]
        socket.set_tcp_user_timeout(Some(self.user_timeout))?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn small_requests_leave_at_once_and_dead_links_are_noticed() {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let stream = TcpStream::connect(listener.local_addr().unwrap()).await.unwrap();
        TcpDial { user_timeout: Duration::from_millis(1500) }.prepare(&stream).unwrap();
        let socket = socket2::SockRef::from(&stream);
        assert!(stream.nodelay().unwrap() && socket.keepalive().unwrap());
        #[cfg(target_os = "linux")]
        {
            assert_eq!(socket.tcp_user_timeout().unwrap(), Some(Duration::from_millis(1500)));
            assert_eq!(socket.tcp_keepalive_time().unwrap(), IDLE_BEFORE_PROBE);
            assert_eq!(socket.tcp_keepalive_interval().unwrap(), BETWEEN_PROBES);
        }
    }
}
