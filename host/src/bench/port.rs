//! Where a simulated node is served: TCP connections, or a pseudo-terminal like a USB serial port.
//! Everything is non-blocking: the node's sampling never waits for a client.

use embedded_io::{ErrorKind, ErrorType, Read, ReadReady, Write};
use serialport::{SerialPort, TTYPort};
use std::collections::VecDeque;
use std::io;
use std::net::{TcpListener, TcpStream};
use std::str::FromStr;
use std::time::Duration;

/// Bytes that may wait for a client that does not read.
const OUTBOX_MAX: usize = 256 << 10;

/// Connections held at a time; more wait in line.
const CLIENTS_MAX: usize = 8;

/// Where to serve.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ServeAddress {
    /// On TCP, as HOST:PORT; port 0 lets the system choose.
    Tcp(String),
    /// On a pseudo-terminal.
    Pty,
}

impl FromStr for ServeAddress {
    type Err = String;

    fn from_str(s: &str) -> Result<Self, String> {
        let usable = |a: &str| {
            a.rsplit_once(':').is_some_and(|(h, p)| !h.is_empty() && p.parse::<u16>().is_ok())
        };
        match s.strip_prefix("tcp:") {
            Some(address) if usable(address) => Ok(ServeAddress::Tcp(address.to_owned())),
            None if s == "pty" => Ok(ServeAddress::Pty),
            _ => Err("give tcp:HOST:PORT, such as tcp:127.0.0.1:0, or pty".into()),
        }
    }
}

/// Why a node cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The TCP address cannot be used.
    #[error("tcp:{address}: cannot be served: {source}; choose another port, or 0 for any")]
    Tcp {
        /// The address.
        address: String,
        /// What the system says.
        source: io::Error,
    },
    /// The system gives no pseudo-terminal.
    #[error("pty: the system gives no pseudo-terminal: {0}")]
    Pty(serialport::Error),
}

/// A place where clients come.
pub enum Listener {
    /// TCP.
    Tcp(TcpListener, String),
    /// A pseudo-terminal; its end for the client stays open, so that clients may come and go.
    Pty(Option<TTYPort>, TTYPort, String),
}

impl Listener {
    /// Opens it.
    pub fn open(at: &ServeAddress) -> Result<Listener, ServeError> {
        match at {
            ServeAddress::Tcp(address) => {
                let open = || {
                    let listener = TcpListener::bind(address)?;
                    listener.set_nonblocking(true)?;
                    let local = listener.local_addr()?;
                    Ok(Listener::Tcp(listener, format!("tcp:{local}")))
                };
                open().map_err(|source| ServeError::Tcp { address: address.clone(), source })
            }
            ServeAddress::Pty => {
                let open = || {
                    let (mut ours, theirs) = TTYPort::pair()?;
                    ours.set_timeout(Duration::from_millis(1))?;
                    let name = theirs.name().unwrap_or_default();
                    Ok(Listener::Pty(Some(ours), theirs, format!("serial:{name}")))
                };
                open().map_err(ServeError::Pty)
            }
        }
    }

    /// Its address, in the form that every verb takes.
    pub fn address(&self) -> &str {
        match self {
            Listener::Tcp(_, address) | Listener::Pty(_, _, address) => address,
        }
    }

    /// A client that has come, if there is room for it.
    pub fn accept(&mut self, held: usize) -> Option<Port> {
        match self {
            Listener::Tcp(listener, _) if held < CLIENTS_MAX => {
                let (stream, _) = listener.accept().ok()?;
                stream.set_nonblocking(true).ok()?;
                // Answers are short and whole: send them at once.
                let _ = stream.set_nodelay(true);
                Some(Port::new(Raw::Tcp(stream)))
            }
            Listener::Tcp(..) => None,
            Listener::Pty(ours, ..) => ours.take().map(|t| Port::new(Raw::Tty(Box::new(t)))),
        }
    }
}

enum Raw {
    Tcp(TcpStream),
    Tty(Box<TTYPort>),
}

/// A connection whose bytes wait in memory between two turns of the node.
pub struct Port {
    raw: Raw,
    inbox: VecDeque<u8>,
    outbox: VecDeque<u8>,
    closed: bool,
}

impl Port {
    fn new(raw: Raw) -> Self {
        Port { raw, inbox: VecDeque::new(), outbox: VecDeque::new(), closed: false }
    }

    /// Whether the client has gone.
    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// Moves bytes between the system and memory, without waiting; `true` when any moved.
    pub fn exchange(&mut self) -> bool {
        let mut chunk = [0u8; 2048];
        let mut moved = false;
        while !self.closed && self.inbox.len() < 8 * chunk.len() {
            match self.raw.read(&mut chunk) {
                Ok(0) => self.closed = true,
                Ok(n) => {
                    self.inbox.extend(&chunk[..n]);
                    moved = true;
                }
                Err(e) if is_for_later(&e) => break,
                Err(_) => self.closed = true,
            }
        }
        while !self.closed && !self.outbox.is_empty() {
            match self.raw.write(self.outbox.as_slices().0) {
                Ok(0) => self.closed = true,
                Ok(n) => {
                    self.outbox.drain(..n);
                    moved = true;
                }
                Err(e) if is_for_later(&e) => break,
                Err(_) => self.closed = true,
            }
        }
        moved
    }
}

fn is_for_later(e: &io::Error) -> bool {
    use io::ErrorKind::{Interrupted, TimedOut, WouldBlock};
    matches!(e.kind(), WouldBlock | TimedOut | Interrupted)
}

impl Raw {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        match self {
            Raw::Tcp(stream) => io::Read::read(stream, bytes),
            Raw::Tty(tty) => match tty.bytes_to_read()? {
                0 => Err(io::ErrorKind::WouldBlock.into()),
                _ => io::Read::read(tty.as_mut(), bytes),
            },
        }
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Raw::Tcp(stream) => io::Write::write(stream, bytes),
            Raw::Tty(tty) => io::Write::write(tty.as_mut(), bytes),
        }
    }
}

impl ErrorType for Port {
    type Error = ErrorKind;
}

impl Read for Port {
    fn read(&mut self, bytes: &mut [u8]) -> Result<usize, ErrorKind> {
        let n = bytes.len().min(self.inbox.len());
        bytes.iter_mut().zip(self.inbox.drain(..n)).for_each(|(to, from)| *to = from);
        Ok(n)
    }
}

impl ReadReady for Port {
    fn read_ready(&mut self) -> Result<bool, ErrorKind> {
        Ok(!self.inbox.is_empty())
    }
}

impl Write for Port {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, ErrorKind> {
        if self.outbox.len() + bytes.len() > OUTBOX_MAX {
            self.closed = true;
            return Err(ErrorKind::BrokenPipe);
        }
        self.outbox.extend(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<(), ErrorKind> {
        Ok(())
    }
}
