//! The link client against a fake node: hostile links, foreign versions, refusals.

use super::address::Address;
use super::fake_node::{FakeNode, Harm, InMemory, record, serve};
use super::link::{AnyClient, Client, LinkError, Patience};
use super::transport::Transport;
use std::io;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use wattless_core::settings::Settings;
use wattless_core::wire::{FrameReader, PAGES_PER_REPLY, PROTOCOL_VERSION, Refusal};

fn node(count: u32) -> Arc<Mutex<FakeNode>> {
    Arc::new(Mutex::new(FakeNode::new((0..count).map(record))))
}

fn patience(tries: u32) -> Patience {
    Patience { wait: Duration::from_millis(50), tries, ..Patience::default() }
}

fn connect(node: &Arc<Mutex<FakeNode>>, harm: Harm, seed: u64) -> Client<InMemory> {
    Client::connect(InMemory::new(node, harm, seed), "memory", patience(60)).unwrap()
}

#[test]
fn everything_is_answered_over_a_link_that_harms_every_way() {
    let harm = Harm { drop: 0.15, double: 0.15, flip: 0.15, delay: 0.15, stale: 0.2 };
    let node = node(50);
    for seed in 0..40 {
        let mut client = connect(&node, harm, seed);
        assert_eq!(client.identity(), &node.lock().unwrap().identity);
        for from in 0..50 {
            let slice = client.read_log(from, PAGES_PER_REPLY as u16).unwrap();
            assert_eq!(slice.from, from);
            assert_eq!(slice.pages.first_chunk(), Some(&record(from).encode()));
            assert_eq!(client.log_bounds().unwrap().next, 50);
        }
        let traffic = client.traffic();
        assert!(traffic.repeated > 10 && traffic.damaged > 0 && traffic.stale > 0, "{traffic:?}");
    }
}

#[test]
fn another_protocol_version_is_one_clear_error() {
    for (version, advice) in [(PROTOCOL_VERSION + 1, "as new as the node"), (0, "update the node")]
    {
        let node = node(1);
        node.lock().unwrap().version = version;
        let result =
            Client::connect(InMemory::new(&node, Harm::default(), 1), "memory", patience(3));
        let Err(error) = result else { panic!("connected to version {version}") };
        assert!(matches!(error, LinkError::Protocol { node, ours, .. }
            if node == version && ours == PROTOCOL_VERSION));
        let text = error.to_string();
        assert!(text.contains(&format!("version {version}")) && text.contains(advice), "{text}");
    }
}

#[test]
fn a_refusal_is_an_error_with_the_nodes_reason() {
    let node = node(3);
    let mut client = connect(&node, Harm::default(), 1);
    assert_eq!(client.read_log(3, 1).unwrap_err().refusal(), Some(Refusal::NoSuchRecord));
    assert_eq!(client.live().unwrap_err().refusal(), Some(Refusal::NotReady));
    let bad = Settings { interval_s: 7, ..Settings::default() };
    let error = client.write_settings(&bad).unwrap_err();
    assert!(error.to_string().contains("memory"), "{error}");
    assert_eq!(error.refusal(), Some(Refusal::BadSettings));
}

/// Says nothing, or talks without end.
struct Babbler {
    noise: Option<u8>,
}

impl Transport for Babbler {
    fn send(&mut self, _: &[u8]) -> io::Result<()> {
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        let Some(noise) = self.noise else {
            std::thread::sleep(wait);
            return Ok(0);
        };
        buffer.fill(noise);
        Ok(buffer.len())
    }
}

#[test]
fn silence_and_endless_noise_both_come_to_an_end() {
    for noise in [None, Some(1), Some(0)] {
        let begin = Instant::now();
        let error = Client::connect(Babbler { noise }, "babbler", patience(4)).err().unwrap();
        assert!(matches!(error, LinkError::NoAnswer { tries: 4, .. }), "{error}");
        assert!(begin.elapsed() >= Duration::from_millis(200));
        assert!(begin.elapsed() < Duration::from_secs(5), "{:?}", begin.elapsed());
    }
}

#[test]
fn the_same_over_tcp() {
    let node = node(30);
    let harm = Harm { drop: 0.1, double: 0.1, flip: 0.1, delay: 0.1, stale: 0.1 };
    let address = Address::Tcp { host: "127.0.0.1".into(), port: serve(&node, harm, 3, |_| None) };
    let mut client = AnyClient::open(&address, patience(60)).unwrap();
    for from in 0..30 {
        let slice = client.read_log(from, 1).unwrap();
        assert_eq!(slice.pages.as_slice(), record(from).encode());
    }
}

#[test]
fn a_port_without_a_node_is_named() {
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    for address in [format!("tcp:127.0.0.1:{free}"), "serial:/no/such/port".to_owned()] {
        let error = AnyClient::open(&address.parse().unwrap(), patience(1)).err().unwrap();
        assert!(matches!(error, LinkError::Open { .. }));
        assert!(error.to_string().contains(&address), "{error}");
    }
}

/// A pseudo-terminal stands for a serial port; its path is opened like one.
#[cfg(unix)]
#[test]
fn a_serial_port_answers() {
    use serialport::{SerialPort, TTYPort};
    use std::io::{Read, Write};
    let (mut master, slave) = TTYPort::pair().unwrap();
    let path = slave.name().unwrap();
    // A second opener is locked out as long as this end is open.
    drop(slave);
    master.set_timeout(Duration::from_millis(20)).unwrap();
    let node = node(20);
    let served = node.clone();
    let (stop, stopped) = std::sync::mpsc::channel::<()>();
    let server = std::thread::spawn(move || {
        let mut reader = FrameReader::default();
        let mut buffer = [0; 512];
        while stopped.try_recv().is_err() {
            let n = master.read(&mut buffer).unwrap_or(0);
            if n == 0 {
                std::thread::sleep(Duration::from_millis(1));
            }
            for &byte in &buffer[..n] {
                if let Some(Ok(frame)) = reader.push(byte) {
                    let answer = served.lock().unwrap().hear(frame);
                    master.write_all(&answer).unwrap();
                }
            }
        }
    });
    let patience = Patience { wait: Duration::from_secs(2), ..Patience::default() };
    let mut client = AnyClient::open(&Address::Serial { path }, patience).unwrap();
    let slice = client.read_log(3, PAGES_PER_REPLY as u16).unwrap();
    assert_eq!(slice.pages.first_chunk(), Some(&record(3).encode()));
    assert_eq!(client.status().unwrap().log.next, 20);
    stop.send(()).unwrap();
    server.join().unwrap();
}
