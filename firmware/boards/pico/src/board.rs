//! Which pin is what. `hardware-notes/wiring.md`, section 5, has the same table for the builder.

use crate::clock::{self, ClockBus};
use embassy_rp::gpio::{Input, Level, Output, Pull};
use embassy_rp::peripherals::{DMA_CH0, DMA_CH1, SPI0, SPI1, UART0, USB};
use embassy_rp::spi::{self, Async, Blocking, Spi};
use embassy_rp::uart::{self, BufferedUart};
use embassy_rp::watchdog::Watchdog;
use embassy_rp::{bind_interrupts, dma, usb};
use embassy_time::Delay;
use embedded_hal_bus::spi::ExclusiveDevice;
use static_cell::ConstStaticCell;
use wattless_node::converter::{Osr, Part, Setup};
use wattless_node::flash::FlashChip;

bind_interrupts!(pub struct Irqs {
    DMA_IRQ_0 => dma::InterruptHandler<DMA_CH0>, dma::InterruptHandler<DMA_CH1>;
    UART0_IRQ => uart::BufferedInterruptHandler<UART0>;
    USBCTRL_IRQ => usb::InterruptHandler<USB>;
});

/// SPI clock of the converter; it takes 25 MHz.
const CONVERTER_HZ: u32 = 12_500_000;

/// SPI clock of the log's flash; its plain read takes 50 MHz.
const FLASH_HZ: u32 = 25_000_000;

/// Rate of the serial link, 8 data bits, no parity, one stop bit.
const SERIAL_BAUD: u32 = 115_200;

/// What the node calls this hardware.
pub const HARDWARE: &str = if cfg!(feature = "rp2040") { "rp2040" } else { "rp2350" };

/// Places for frames between sampling and main loop; one stays empty.
///
/// 0.128 s at 8 kSPS, 0.256 s at 2 kSPS: windows, answers and pages are bridged in any case.
pub const QUEUE: usize = if cfg!(feature = "rp2040") { 512 } else { 1024 };

/// What the converter is told.
///
/// The RP2040 has neither a long multiply nor floating point: it has time for a quarter
/// of the rate.
pub const SETUP: Setup = {
    let mut setup = Setup::eight_ksps(Part::M08);
    if cfg!(feature = "rp2040") {
        setup.osr = Osr::X2048;
    }
    setup
};

/// Port of the converter with its chip select.
pub type ConverterSpi = ExclusiveDevice<Spi<'static, SPI0, Async>, Output<'static>, Delay>;

/// Port of the log's flash with its chip select.
pub type FlashSpi = ExclusiveDevice<Spi<'static, SPI1, Blocking>, Output<'static>, Delay>;

/// The log's flash.
pub type LogFlash = FlashChip<FlashSpi, Delay>;

/// Everything that the board has.
pub struct Board {
    pub converter: ConverterSpi,
    pub data_ready: Input<'static>,
    pub converter_reset: Output<'static>,
    pub flash: FlashSpi,
    pub clock: ClockBus,
    pub uart: BufferedUart,
    pub usb: usb::Driver<'static, USB>,
    /// Light on the board, and the one in the enclosure's wall.
    pub lights: [Output<'static>; 2],
    pub watchdog: Watchdog,
}

/// Sets up clocks, pins and buses; to be called once.
pub fn take() -> Board {
    let p = embassy_rp::init(embassy_rp::config::Config::default());

    let mut config = spi::Config::default();
    config.frequency = CONVERTER_HZ;
    config.phase = spi::Phase::CaptureOnSecondTransition;
    let bus = Spi::new(p.SPI0, p.PIN_18, p.PIN_19, p.PIN_16, p.DMA_CH0, p.DMA_CH1, Irqs, config);
    let converter = device(bus, Output::new(p.PIN_17, Level::High));

    let mut config = spi::Config::default();
    config.frequency = FLASH_HZ;
    let bus = Spi::new_blocking(p.SPI1, p.PIN_10, p.PIN_11, p.PIN_12, config);
    let flash = device(bus, Output::new(p.PIN_13, Level::High));

    static SENDING: ConstStaticCell<[u8; 64]> = ConstStaticCell::new([0; 64]);
    static RECEIVING: ConstStaticCell<[u8; 256]> = ConstStaticCell::new([0; 256]);
    let mut config = uart::Config::default();
    config.baudrate = SERIAL_BAUD;
    let (sending, receiving) = (SENDING.take(), RECEIVING.take());
    let uart = BufferedUart::new(p.UART0, p.PIN_0, p.PIN_1, Irqs, sending, receiving, config);

    Board {
        converter,
        data_ready: Input::new(p.PIN_20, Pull::Up),
        converter_reset: Output::new(p.PIN_21, Level::High),
        flash,
        clock: clock::bus(p.I2C0, p.PIN_4, p.PIN_5),
        uart,
        usb: usb::Driver::new(p.USB, Irqs),
        lights: [Output::new(p.PIN_25, Level::High), Output::new(p.PIN_22, Level::High)],
        watchdog: Watchdog::new(p.WATCHDOG),
    }
}

fn device<B>(bus: B, select: Output<'static>) -> ExclusiveDevice<B, Output<'static>, Delay> {
    // A chip select that cannot be set does not exist on these chips.
    match ExclusiveDevice::new(bus, select, Delay) {
        Ok(device) => device,
        Err(e) => match e {},
    }
}
