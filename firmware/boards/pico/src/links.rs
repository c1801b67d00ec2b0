//! USB serial and UART: bytes between the host and the main loop, nothing else.

use crate::work::LogNode;
use core::sync::atomic::Ordering;
use embassy_executor::{SpawnError, SpawnToken, Spawner};
use embassy_rp::peripherals::USB;
use embassy_rp::uart::{BufferedUart, BufferedUartRx, BufferedUartTx};
use embassy_rp::usb::Driver;
use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
use embassy_sync::pipe::Pipe;
use embassy_time::Timer;
use embassy_usb::class::cdc_acm::{CdcAcmClass, Receiver, Sender, State};
use embassy_usb::{Builder, Config, UsbDevice};
use embedded_io_async::{Read, Write};
use portable_atomic::AtomicU32;
use static_cell::{ConstStaticCell, StaticCell};
use wattless_core::wire::STREAM_MAX;
use wattless_node::link::LinkServer;

/// Bytes of a packet on USB.
const PACKET: usize = 64;

/// Most bytes of requests taken in one turn of the main loop.
const BYTES_PER_TURN: usize = 512;

/// Grows while the executor of the links runs.
pub static BEATS: AtomicU32 = AtomicU32::new(0);

/// A link as the main loop sees it: requests come in, a whole answer has room to go out.
pub struct Port {
    requests: Pipe<CriticalSectionRawMutex, 256>,
    answers: Pipe<CriticalSectionRawMutex, STREAM_MAX>,
}

impl Port {
    const fn new() -> Port {
        Port { requests: Pipe::new(), answers: Pipe::new() }
    }

    /// Answers what was asked, one request at a time; never waits for the host.
    pub fn serve(&self, link: &mut LinkServer, node: &mut LogNode) {
        for _ in 0..BYTES_PER_TURN {
            // An answer that is still on its way out goes first.
            if !self.answers.is_empty() {
                return;
            }
            let mut byte = [0];
            if self.requests.try_read(&mut byte).is_err() {
                return;
            }
            let [byte] = byte;
            if let Some(answer) = link.receive(node, byte) {
                // In small parts, because each is copied with interrupts off.
                for part in answer.chunks(PACKET) {
                    let _ = self.answers.try_write(part);
                }
            }
        }
    }
}

/// The link over USB.
pub static USB_PORT: Port = Port::new();

/// The link over the UART.
pub static UART_PORT: Port = Port::new();

/// Starts both links; the serial number is what the host tells nodes apart by.
///
/// A task itself, because what it makes may not leave the executor that it runs in.
#[embassy_executor::task]
pub async fn start(uart: BufferedUart, usb: Driver<'static, USB>, node_id: u64) {
    // SAFETY: the spawner does not leave this executor.
    let spawner = unsafe { Spawner::for_current_executor().await };
    let (sending, receiving) = uart.split();
    let (device, sender, receiver) = usb_serial(usb, node_id);
    spawn(spawner, uart_in(receiving));
    spawn(spawner, uart_out(sending));
    spawn(spawner, usb_device(device));
    spawn(spawner, usb_in(receiver));
    spawn(spawner, usb_out(sender));
    loop {
        BEATS.add(1, Ordering::Relaxed);
        Timer::after_millis(200).await;
    }
}

fn spawn<S>(spawner: Spawner, task: Result<SpawnToken<S>, SpawnError>) {
    match task {
        Ok(token) => spawner.spawn(token),
        Err(_) => defmt::error!("a task of the links was started twice"),
    }
}

fn usb_serial(
    driver: Driver<'static, USB>,
    node_id: u64,
) -> (Device, Sender<'static, Driver<'static, USB>>, Receiver<'static, Driver<'static, USB>>) {
    static SERIAL: StaticCell<[u8; 16]> = StaticCell::new();
    static CONFIG: ConstStaticCell<[u8; 128]> = ConstStaticCell::new([0; 128]);
    static BOS: ConstStaticCell<[u8; 16]> = ConstStaticCell::new([0; 16]);
    static CONTROL: ConstStaticCell<[u8; 64]> = ConstStaticCell::new([0; 64]);
    static STATE: StaticCell<State> = StaticCell::new();
    // A pair of numbers that is set aside for trials and private use.
    let mut config = Config::new(0x1209, 0x0001);
    config.manufacturer = Some("wattless");
    config.product = Some("wattless node");
    config.serial_number = core::str::from_utf8(SERIAL.init(hex(node_id))).ok();
    config.max_power = 100;
    let mut builder =
        Builder::new(driver, config, CONFIG.take(), BOS.take(), &mut [], CONTROL.take());
    let class = CdcAcmClass::new(&mut builder, STATE.init(State::new()), PACKET as u16);
    let (sender, receiver) = class.split();
    (builder.build(), sender, receiver)
}

type Device = UsbDevice<'static, Driver<'static, USB>>;

/// A number as sixteen hexadecimal digits.
fn hex(number: u64) -> [u8; 16] {
    let mut digits = [0; 16];
    for (k, digit) in (0u32..).zip(&mut digits) {
        let nibble = (number >> (60 - 4 * (k & 15))) as u8 & 15;
        *digit = if nibble < 10 { b'0' + nibble } else { b'A' - 10 + nibble };
    }
    digits
}

#[embassy_executor::task]
async fn usb_device(mut device: Device) {
    device.run().await;
}

#[embassy_executor::task]
async fn usb_in(mut receiver: Receiver<'static, Driver<'static, USB>>) {
    let mut packet = [0; PACKET];
    loop {
        receiver.wait_connection().await;
        while let Ok(n) = receiver.read_packet(&mut packet).await {
            write_all(&USB_PORT.requests, packet.get(..n).unwrap_or(&[])).await;
        }
        USB_PORT.requests.clear();
    }
}

#[embassy_executor::task]
async fn usb_out(mut sender: Sender<'static, Driver<'static, USB>>) {
    let mut packet = [0; PACKET];
    loop {
        sender.wait_connection().await;
        loop {
            let n = USB_PORT.answers.read(&mut packet).await;
            let mut sent = sender.write_packet(packet.get(..n).unwrap_or(&[])).await;
            // A full packet at the end of an answer needs an empty one behind it.
            if n == PACKET && USB_PORT.answers.is_empty() {
                sent = sent.and(sender.write_packet(&[]).await);
            }
            if sent.is_err() {
                break;
            }
        }
        USB_PORT.answers.clear();
    }
}

#[embassy_executor::task]
async fn uart_in(mut uart: BufferedUartRx) {
    let mut bytes = [0; PACKET];
    loop {
        // What noise made of a byte is found by the frame's checksum.
        if let Ok(n) = uart.read(&mut bytes).await {
            write_all(&UART_PORT.requests, bytes.get(..n).unwrap_or(&[])).await;
        }
    }
}

#[embassy_executor::task]
async fn uart_out(mut uart: BufferedUartTx) {
    let mut bytes = [0; PACKET];
    loop {
        let n = UART_PORT.answers.read(&mut bytes).await;
        let _ = uart.write_all(bytes.get(..n).unwrap_or(&[])).await;
    }
}

async fn write_all<const N: usize>(pipe: &Pipe<CriticalSectionRawMutex, N>, mut bytes: &[u8]) {
    while !bytes.is_empty() {
        let n = pipe.write(bytes).await;
        bytes = bytes.get(n..).unwrap_or(&[]);
    }
}
