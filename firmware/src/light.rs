//! The status light: what a person standing at the node can see without a laptop.
//! Patterns depend on the time alone, so any loop that calls often enough shows them.
//!
//! | state | light |
//! |---|---|
//! | [`Health::Starting`] | steadily on |
//! | [`Health::Measuring`] | one short flash every four seconds |
//! | [`Health::NoVoltage`] | slowly on and off, two seconds each |
//! | [`Health::NoTime`] | two flashes every four seconds |
//! | [`Health::LosingFrames`] | three flashes every four seconds |
//! | [`Health::NoConverter`] | four flashes every four seconds |
//! | [`Health::NotStoring`] | five flashes every four seconds |
//!
//! A light that stays dark for more than four seconds means no power or a node that hangs.

use embedded_hal::digital::OutputPin;

/// Length of a pattern, in milliseconds.
pub const PATTERN_MS: u64 = 4000;

const FLASH_MS: u64 = 120;
const FLASH_EVERY_MS: u64 = 400;

/// What the light shows; where several hold, show the last of them in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Health {
    /// All is well.
    Measuring,
    /// Sampling goes on, but the wall time is not known.
    NoTime,
    /// Frames were lost within the last interval.
    LosingFrames,
    /// There is no voltage to measure: leads off, fuse open, feeder dead.
    NoVoltage,
    /// The converter does not work.
    NoConverter,
    /// Records cannot be written to the flash.
    NotStoring,
    /// The node is starting.
    Starting,
}

/// What a board knows of its node when it decides what the light shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Facts {
    /// The converter is started and frames come.
    pub sampling: bool,
    /// The flash works: every record so far could be written.
    pub storing: bool,
    /// The newest window has a fundamental voltage; `None` before the first window.
    pub voltage: Option<bool>,
    /// The wall time is known.
    pub time: bool,
    /// Frames were lost within the last interval.
    pub losing: bool,
}

impl Facts {
    /// The most important thing that there is to say.
    pub const fn health(&self) -> Health {
        if !self.storing {
            Health::NotStoring
        } else if !self.sampling {
            Health::NoConverter
        } else {
            match (self.voltage, self.losing, self.time) {
                (None, _, _) => Health::Starting,
                (Some(false), _, _) => Health::NoVoltage,
                (_, true, _) => Health::LosingFrames,
                (_, _, false) => Health::NoTime,
                _ => Health::Measuring,
            }
        }
    }
}

impl Health {
    /// Whether the light is on at a time since the start.
    pub const fn is_lit(self, now_ms: u64) -> bool {
        let at_ms = now_ms % PATTERN_MS;
        let flashes = match self {
            Health::Starting => return true,
            Health::NoVoltage => return at_ms < PATTERN_MS / 2,
            Health::Measuring => 1,
            Health::NoTime => 2,
            Health::LosingFrames => 3,
            Health::NoConverter => 4,
            Health::NotStoring => 5,
        };
        at_ms < flashes * FLASH_EVERY_MS && at_ms % FLASH_EVERY_MS < FLASH_MS
    }
}

/// A light on a pin.
#[derive(Debug)]
pub struct Light<P> {
    pin: P,
    lit_when_low: bool,
}

impl<P: OutputPin> Light<P> {
    /// Takes the pin; `lit_when_low` for a light between supply and pin.
    pub const fn new(pin: P, lit_when_low: bool) -> Self {
        Light { pin, lit_when_low }
    }

    /// Sets the light as it belongs at a time; call at least every 50 ms.
    pub fn show(&mut self, health: Health, now_ms: u64) -> Result<(), P::Error> {
        if health.is_lit(now_ms) != self.lit_when_low {
            self.pin.set_high()
        } else {
            self.pin.set_low()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::convert::Infallible;

    const ALL: [Health; 7] = [
        Health::Measuring,
        Health::NoTime,
        Health::LosingFrames,
        Health::NoVoltage,
        Health::NoConverter,
        Health::NotStoring,
        Health::Starting,
    ];

    fn picture(health: Health) -> Vec<bool> {
        (0..PATTERN_MS).step_by(20).map(|ms| health.is_lit(ms)).collect()
    }

    #[test]
    fn states_can_be_told_apart_by_counting() {
        let flashes = |h: Health| picture(h).windows(2).filter(|w| w[0] && !w[1]).count();
        assert_eq!(ALL.map(flashes), [1, 2, 3, 1, 4, 5, 0]);
        let lit = |h: Health| picture(h).iter().filter(|on| **on).count() * 20;
        assert_eq!(ALL.map(lit), [120, 240, 360, 2000, 480, 600, 4000]);
        // A pause of more than a second and a half sets the counts apart.
        for h in [Health::Measuring, Health::NotStoring] {
            let dark = picture(h).iter().rev().take_while(|on| !**on).count() * 20;
            assert!(dark > 1500, "{h:?} {dark}");
        }
    }

    #[test]
    fn the_most_important_comes_first() {
        let well =
            Facts { sampling: true, storing: true, voltage: Some(true), time: true, losing: false };
        assert_eq!(well.health(), Health::Measuring);
        assert_eq!(Facts { time: false, ..well }.health(), Health::NoTime);
        let losing = Facts { losing: true, time: false, ..well };
        assert_eq!(losing.health(), Health::LosingFrames);
        let dead = Facts { voltage: Some(false), ..losing };
        assert_eq!(dead.health(), Health::NoVoltage);
        assert_eq!(Facts { voltage: None, ..well }.health(), Health::Starting);
        assert_eq!(Facts { sampling: false, ..dead }.health(), Health::NoConverter);
        assert_eq!(Facts::default().health(), Health::NotStoring);
    }

    #[test]
    fn patterns_repeat_whenever_the_node_started() {
        for h in ALL {
            for ms in [0, 119, 120, 399, 401, 1999, 2000] {
                assert_eq!(h.is_lit(ms), h.is_lit(ms + 1_000_000 * PATTERN_MS));
            }
        }
    }

    struct Pin(Option<bool>);

    impl embedded_hal::digital::ErrorType for Pin {
        type Error = Infallible;
    }

    impl OutputPin for Pin {
        fn set_low(&mut self) -> Result<(), Infallible> {
            self.0 = Some(false);
            Ok(())
        }

        fn set_high(&mut self) -> Result<(), Infallible> {
            self.0 = Some(true);
            Ok(())
        }
    }

    #[test]
    fn either_way_of_wiring() {
        for low in [false, true] {
            let mut light = Light::new(Pin(None), low);
            assert_eq!(light.show(Health::Measuring, 0), Ok(()));
            assert_eq!(light.pin.0, Some(!low));
            assert_eq!(light.show(Health::Measuring, 200), Ok(()));
            assert_eq!(light.pin.0, Some(low));
        }
    }
}
