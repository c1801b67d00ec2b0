//! Seeded randomness: the same file and seed give the same week, bit for bit, on every machine.

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

/// A stream of random numbers of its own for each purpose.
#[derive(Clone, Debug)]
pub struct Chance(Xoshiro256PlusPlus);

impl Chance {
    /// The stream for a purpose (such as a load's name), whatever other purposes there are.
    pub fn new(seed: u64, purpose: &str) -> Self {
        // FNV-1a: spreads names over 64 bits, and is the same for ever.
        let mut hash = 0xCBF2_9CE4_8422_2325u64;
        for byte in purpose.bytes() {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
        }
        Chance(Xoshiro256PlusPlus::seed_from_u64(seed ^ hash))
    }

    /// A number from 0 up to, not including, 1.
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A number between two limits.
    pub fn between(&mut self, [low, high]: [f64; 2]) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A number from the normal distribution of mean 0 and variance 1 (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.unit()));
        radius * libm::cos(core::f64::consts::TAU * self.unit())
    }

    /// A whole number below a limit.
    pub fn below(&mut self, limit: usize) -> usize {
        (((self.0.next_u64() >> 32) * limit as u64) >> 32) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn purposes_have_streams_of_their_own() {
        let draw = |seed, purpose| Chance::new(seed, purpose).unit();
        assert_eq!(draw(1, "saw"), draw(1, "saw"));
        assert_ne!(draw(1, "saw"), draw(1, "planer"));
        assert_ne!(draw(1, "saw"), draw(2, "saw"));
    }

    #[test]
    fn the_normal_distribution_has_its_moments() {
        let mut c = Chance::new(3, "moments");
        let n = 100_000;
        let (mut sum, mut square) = (0.0, 0.0);
        for _ in 0..n {
            let x = c.normal();
            sum += x;
            square += x * x;
        }
        let mean = sum / f64::from(n);
        assert!(mean.abs() < 0.015, "{mean}");
        assert!((square / f64::from(n) - 1.0).abs() < 0.02);
        let mut below = [0; 3];
        (0..3000).for_each(|_| below[c.below(3)] += 1);
        assert!(below.iter().all(|n| (850..1150).contains(n)), "{below:?}");
    }
}
