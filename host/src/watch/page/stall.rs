//! A connection whose other end must take what it is sent, or be given up.

use std::io::{self, IoSlice};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::Sleep;

/// A socket that fails when nothing of what is to be written leaves for a while.
///
/// A client that keeps its connection and reads nothing would else hold its place for as long as
/// an open page is served.
pub struct Impatient {
    socket: TcpStream,
    longest: Duration,
    stalled: Option<Pin<Box<Sleep>>>,
}

impl Impatient {
    /// A socket that waits so long for the other end at most.
    pub fn new(socket: TcpStream, longest: Duration) -> Impatient {
        Impatient { socket, longest, stalled: None }
    }

    fn judge<T>(
        &mut self,
        wrote: Poll<io::Result<T>>,
        cx: &mut Context<'_>,
    ) -> Poll<io::Result<T>> {
        if wrote.is_ready() {
            self.stalled = None;
            return wrote;
        }
        let longest = self.longest;
        let wait = self.stalled.get_or_insert_with(|| Box::pin(tokio::time::sleep(longest)));
        match wait.as_mut().poll(cx) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Impatient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.socket).poll_read(cx, buf)
    }
}

impl AsyncWrite for Impatient {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        let wrote = Pin::new(&mut self.socket).poll_write(cx, buf);
        self.judge(wrote, cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let wrote = Pin::new(&mut self.socket).poll_write_vectored(cx, bufs);
        self.judge(wrote, cx)
    }

    fn is_write_vectored(&self) -> bool {
        self.socket.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.socket).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.socket).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::future::poll_fn;
    use tokio::net::TcpListener;

    /// A client that takes nothing: writing fails once the system's room is full.
    #[test]
    fn a_client_that_takes_nothing_is_given_up() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
            let at = listener.local_addr().unwrap();
            let client = std::net::TcpStream::connect(at).unwrap();
            let (socket, _) = listener.accept().await.unwrap();
            let mut socket = Impatient::new(socket, Duration::from_millis(100));
            let chunk = [0; 4096];
            let mut sent = 0;
            let error = loop {
                match poll_fn(|cx| Pin::new(&mut socket).poll_write(cx, &chunk)).await {
                    Ok(n) => sent += n,
                    Err(e) => break e,
                }
                assert!(sent < 1 << 30, "the system takes all of it");
            };
            assert_eq!(error.kind(), io::ErrorKind::TimedOut);
            drop(client);
        });
    }
}
