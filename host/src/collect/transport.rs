//! Bytes to and from a node, with a wait that always ends.

use serialport::SerialPort;
use std::io::{self, ErrorKind, Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// A two-way stream of bytes: a serial port, a TCP connection, a simulated node.
pub trait Transport: Send {
    /// Sends all bytes.
    fn send(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Receives some bytes, waiting at most `wait`; 0 when none came in that time.
    ///
    /// An error means that the other side is gone and waiting is of no use.
    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize>;
}

impl<T: Transport + ?Sized> Transport for Box<T> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        (**self).send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        (**self).receive(buffer, wait)
    }
}

impl Transport for TcpStream {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        self.set_read_timeout(Some(at_least_a_millisecond(wait)))?;
        some_or_none(self.read(buffer))
    }
}

impl Transport for Box<dyn SerialPort> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.set_timeout(Duration::from_secs(2))?;
        self.write_all(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        self.set_timeout(at_least_a_millisecond(wait))?;
        some_or_none(self.read(buffer))
    }
}

/// A wait of zero means "for ever" to a socket.
fn at_least_a_millisecond(wait: Duration) -> Duration {
    wait.max(Duration::from_millis(1))
}

fn some_or_none(read: io::Result<usize>) -> io::Result<usize> {
    match read {
        Ok(0) => Err(io::Error::new(ErrorKind::UnexpectedEof, "the connection was closed")),
        Ok(n) => Ok(n),
        Err(e) => match e.kind() {
            ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted => Ok(0),
            _ => Err(e),
        },
    }
}
