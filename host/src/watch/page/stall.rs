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
