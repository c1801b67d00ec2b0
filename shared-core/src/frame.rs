//! One instant of all channels as the converter delivers it: 24-bit counts.
//! Says nothing about volts or amperes; that is calibration's business.

/// Number of channel slots in a frame.
pub const CHANNELS: usize = 8;

/// Channels that the present wirings use: three voltages, three currents.
pub const ACTIVE: usize = 6;

/// Slot of a current sensor on the neutral, where there is one.
pub const NEUTRAL: usize = 6;

/// Largest positive count of a 24-bit two's complement converter.
pub const COUNT_MAX: i32 = 0x7F_FFFF;

/// Most negative count of a 24-bit two's complement converter.
pub const COUNT_MIN: i32 = -0x80_0000;

/// Counts within this distance of either end of the range are taken as clipped.
pub const CLIP_MARGIN: i32 = 16;

/// A slot of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Channel {
    /// First voltage input.
    V1,
    /// Second voltage input.
    V2,
    /// Third voltage input.
    V3,
    /// First current input.
    I1,
    /// Second current input.
    I2,
    /// Third current input.
    I3,
}

impl Channel {
    /// Every channel in slot order.
    pub const ALL: [Channel; ACTIVE] =
        [Channel::V1, Channel::V2, Channel::V3, Channel::I1, Channel::I2, Channel::I3];

    /// The slot of this channel in a frame.
    pub const fn slot(self) -> usize {
        self as usize
    }

    /// The lead's name as printed on a node's terminals and used in files.
    pub const fn name(self) -> &'static str {
        match self {
            Channel::V1 => "v1",
            Channel::V2 => "v2",
            Channel::V3 => "v3",
            Channel::I1 => "i1",
            Channel::I2 => "i2",
            Channel::I3 => "i3",
        }
    }

    /// Whether the channel carries a voltage.
    pub const fn is_voltage(self) -> bool {
        self.slot() < 3
    }
}

/// Counts of all channels sampled at the same instant, in slot order.
///
/// Slots 0 to 2 are voltages, 3 to 5 currents, 6 and 7 are kept for a neutral
/// current and a spare and are zero where nothing is connected. Every count is
/// within 24 bits: [`Frame::new`] limits what is outside.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(transparent)]
pub struct Frame([i32; CHANNELS]);

impl Frame {
    /// A frame of zeros.
    pub const ZERO: Frame = Frame([0; CHANNELS]);

    /// Makes a frame, limiting every count to the 24-bit range.
    #[inline]
    pub fn new(counts: [i32; CHANNELS]) -> Self {
        Frame(counts.map(|c| c.clamp(COUNT_MIN, COUNT_MAX)))
    }

    /// The counts in slot order.
    #[inline]
    pub const fn counts(&self) -> &[i32; CHANNELS] {
        &self.0
    }

    /// The count of one channel.
    #[inline]
    pub const fn count(&self, channel: Channel) -> i32 {
        self.0[channel.slot()]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_outside_24_bits_are_limited() {
        let f = Frame::new([i32::MAX, i32::MIN, 5, 0, 0, 0, 0, 0]);
        assert_eq!(f.counts()[..3], [COUNT_MAX, COUNT_MIN, 5]);
    }
}
