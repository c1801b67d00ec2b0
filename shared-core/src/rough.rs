//! Fast, rough angles for a live picture only; nothing here may reach a record.
//!
//! micromath's `atan2` is off by up to 0.17°, which a display of sectors of 15°
//! can bear: a phasor further than that from a border falls into its sector.

use crate::complex::Complex;
use micromath::F32Ext;

/// Sectors of the live picture in a full turn.
pub const SECTORS: u8 = 24;

/// The sector a phasor points into: 0 is centred on 0°, counted counter-clockwise.
#[allow(clippy::disallowed_methods, reason = "the one place where rough is good enough")]
pub fn sector(phasor: Complex) -> u8 {
    let angle = F32Ext::atan2(phasor.im as f32, phasor.re as f32);
    let turn = angle / core::f32::consts::TAU * f32::from(SECTORS);
    let shifted = turn + f32::from(SECTORS) + 0.5;
    (shifted as u8) % SECTORS
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every angle further than 0.2° from a border lands in the right sector.
    #[test]
    fn sectors_are_right_away_from_borders() {
        for tenth in 0..36_000 {
            let deg = f64::from(tenth) / 100.0;
            let from_border = (deg + 7.5).rem_euclid(15.0);
            if (0.2..14.8).contains(&from_border) {
                let want = ((deg + 7.5) / 15.0) as u8 % SECTORS;
                let got = sector(Complex::unit(deg.to_radians()).scale(230.0));
                assert_eq!(got, want, "{deg}°");
            }
        }
    }
}
