//! Where a node is reached: `tcp:HOST:PORT` or `serial:PATH`, and opening it.

use super::transport::Transport;
use std::net::{TcpStream, ToSocketAddrs};
use std::time::Duration;
use std::{fmt, io, str::FromStr};

/// Speed of a serial line, in bits per second; a USB serial port ignores it.
pub const SERIAL_BAUD: u32 = 115_200;

/// Longest wait for a connection to come up.
const CONNECT_WAIT: Duration = Duration::from_secs(5);

/// Where a node is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    /// A TCP port: a serial bridge, or a simulated node.
    Tcp {
        /// Name or number of the host; an IPv6 number without its brackets.
        host: String,
        /// Port number.
        port: u16,
    },
    /// A serial port, USB serial port or pseudo-terminal.
    Serial {
        /// Path or name of the port.
        path: String,
    },
}

/// An address that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{text}\" is not the address of a node; write tcp:HOST:PORT or serial:PATH, \
     for example tcp:192.168.4.20:7325 or serial:/dev/ttyACM0"
)]
pub struct AddressError {
    text: String,
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let wrong = || AddressError { text: text.to_owned() };
        let (kind, rest) = text.split_once(':').ok_or_else(wrong)?;
        match kind {
            "tcp" => {
                let (host, port) = rest.rsplit_once(':').ok_or_else(wrong)?;
                let bare = host.strip_prefix('[').and_then(|h| h.strip_suffix(']'));
                let host = match bare {
                    Some(bare) => bare,
                    // Without brackets the last part of an IPv6 number would pass as a port.
                    None if host.contains(':') => return Err(wrong()),
                    None => host,
                };
                let port = port.parse().ok().filter(|&p: &u16| p > 0).ok_or_else(wrong)?;
                if host.is_empty() {
                    return Err(wrong());
                }
                Ok(Address::Tcp { host: host.to_owned(), port })
            }
            "serial" if !rest.is_empty() => Ok(Address::Serial { path: rest.to_owned() }),
            _ => Err(wrong()),
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Tcp { host, port } if host.contains(':') => write!(f, "tcp:[{host}]:{port}"),
            Address::Tcp { host, port } => write!(f, "tcp:{host}:{port}"),
            Address::Serial { path } => write!(f, "serial:{path}"),
        }
    }
}

impl Address {
    /// Opens the port or connects, within a few seconds.
    pub fn open(&self) -> io::Result<Box<dyn Transport>> {
        match self {
            Address::Tcp { host, port } => {
                let mut last = io::Error::new(io::ErrorKind::NotFound, "the host has no address");
                for socket in (host.as_str(), *port).to_socket_addrs()? {
                    match TcpStream::connect_timeout(&socket, CONNECT_WAIT) {
                        Ok(stream) => {
                            stream.set_nodelay(true)?;
                            stream.set_write_timeout(Some(CONNECT_WAIT))?;
                            return Ok(Box::new(stream));
                        }
                        Err(error) => last = error,
                    }
                }
                Err(last)
            }
            Address::Serial { path } => {
                let port = serialport::new(path, SERIAL_BAUD)
                    .timeout(Duration::from_secs(1))
                    .open()
                    .map_err(io::Error::from)?;
                Ok(Box::new(port))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_return_from_their_text() {
        for text in ["tcp:127.0.0.1:7325", "tcp:[::1]:1", "serial:/dev/ttyACM0", "serial:COM3"] {
            assert_eq!(text.parse::<Address>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn what_is_no_address_is_refused_with_an_example() {
        for text in ["", "tcp:", "tcp:host", "tcp::80", "tcp:h:0", "tcp:h:70000", "tcp:::1:80"] {
            let error = text.parse::<Address>().unwrap_err().to_string();
            assert!(error.contains("tcp:HOST:PORT"), "{error}");
        }
        for text in ["serial:", "udp:host:80", "/dev/ttyACM0"] {
            assert!(text.parse::<Address>().is_err(), "{text}");
        }
    }
}
