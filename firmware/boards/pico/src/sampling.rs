//! The sampling task: every frame of the converter into the queue, every loss counted.

use crate::board::{ConverterSpi, SETUP};
use core::future::poll_fn;
use core::sync::atomic::Ordering;
use core::task::Poll;
use embassy_futures::select::{Either, select};
use embassy_rp::gpio::{Input, Output};
use embassy_sync::waitqueue::AtomicWaker;
use embassy_time::{Delay, Duration, Instant, Timer, block_for};
use embedded_hal_async::spi::SpiDevice;
use portable_atomic::{AtomicBool, AtomicU32};
use wattless_node::converter::frames::FRAME_BYTES_MAX;
use wattless_node::converter::monitor::Monitor;
use wattless_node::converter::{Converter, Event, Part, Reason, Setup, StartError, driver};
use wattless_node::handover::Sender;

/// Time between two looks whether data ready has fallen since; must be longer than a period.
const SILENCE: Duration = Duration::from_millis(5);

/// Looks of [`watch`] so far, and who is to be told of one.
static LOOKS: AtomicU32 = AtomicU32::new(0);
static SILENT: AtomicWaker = AtomicWaker::new();

/// Time until a converter that does not start is tried again.
const RETRY: Duration = Duration::from_millis(500);

/// Grows while the task runs, whether frames come or not.
pub static BEATS: AtomicU32 = AtomicU32::new(0);

/// Whether frames come.
pub static RUNNING: AtomicBool = AtomicBool::new(false);

type Parts = (ConverterSpi, Input<'static>, Option<Output<'static>>, Delay, Option<Monitor>);

/// Starts the converter, reads it, and starts it again whenever that is the only way on.
#[embassy_executor::task]
pub async fn sample(
    spi: ConverterSpi,
    data_ready: Input<'static>,
    reset: Output<'static>,
    mut out: Sender<'static>,
) {
    let mut parts: Parts = (spi, data_ready, Some(reset), Delay, None);
    let mut setup = SETUP;
    loop {
        BEATS.add(1, Ordering::Relaxed);
        let mut converter = Converter::from_parts(parts, setup);
        let started = converter.start();
        parts = converter.into_parts();
        match started {
            Ok(found) => {
                defmt::info!("converter with {} channels", found.part.channels());
                let reason = stream(&mut parts, &setup, &mut out).await;
                RUNNING.store(false, Ordering::Relaxed);
                defmt::warn!("{}", reason.text());
            }
            Err(e) => {
                defmt::warn!("{}", defmt::Display2Format(&e));
                setup.part = other_part(&e).unwrap_or(setup.part);
                Timer::after(RETRY).await;
            }
        }
    }
}

/// The part that is fitted instead of the one that was expected.
fn other_part(error: &StartError) -> Option<Part> {
    match error {
        StartError::WrongPart { id, .. } => Part::from_id(*id),
        _ => None,
    }
}

/// Reads frames until the converter must be started again.
async fn stream(parts: &mut Parts, setup: &Setup, out: &mut Sender<'static>) -> Reason {
    let (spi, data_ready, _, _, monitor) = parts;
    let Some(monitor) = monitor else { return Reason::Silent };
    loop {
        BEATS.add(1, Ordering::Relaxed);
        if let Either::Second(()) = select(data_ready.wait_for_low(), silence()).await {
            if let Some(reason) = monitor.check(now_ns()) {
                return reason;
            }
            continue;
        }
        let edge_ns = now_ns();
        loop {
            let sent = monitor.frame_to_send();
            let mut came = [0; FRAME_BYTES_MAX];
            let bytes = monitor.frame_bytes();
            let (tx, rx) =
                (sent.get(..bytes).unwrap_or(&[]), came.get_mut(..bytes).unwrap_or(&mut []));
            if spi.transfer(rx, tx).await.is_err() {
                monitor.exchange_failed();
                break;
            }
            block_for(Duration::from_micros(u64::from(driver::PIN_SETTLE_US)));
            let taken = monitor.take(rx, edge_ns, now_ns(), data_ready.is_low());
            for event in &taken.events {
                match event {
                    Event::Frame(frame) => {
                        RUNNING.store(true, Ordering::Relaxed);
                        out.send(&setup.slots.frame(frame));
                    }
                    Event::Lost(frames) => out.lost(*frames),
                    Event::NeedsRestart(reason) => return *reason,
                }
            }
            if !taken.read_again {
                break;
            }
        }
    }
}

/// Looks every now and then; to be spawned beside [`sample`].
#[embassy_executor::task]
pub async fn watch() {
    loop {
        Timer::after(SILENCE).await;
        LOOKS.add(1, Ordering::Relaxed);
        SILENT.wake();
    }
}

/// Ends when [`watch`] has looked twice. A timer of its own for every frame would cost too much.
async fn silence() {
    let looks = LOOKS.load(Ordering::Relaxed);
    poll_fn(|context| {
        SILENT.register(context.waker());
        let waited = LOOKS.load(Ordering::Relaxed).wrapping_sub(looks) >= 2;
        if waited { Poll::Ready(()) } else { Poll::Pending }
    })
    .await
}

/// Time since the start in nanoseconds, in steps of a microsecond.
fn now_ns() -> u64 {
    Instant::now().as_micros().saturating_mul(1000)
}
