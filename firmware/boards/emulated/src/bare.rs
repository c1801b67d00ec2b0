//! What the multiply-accumulates alone would cost: six squares, three products of a phase's two
//! channels, and six phasors at one frequency, 21 sums in all, over the same frames.

use core::hint::black_box;
use wattless_core::frame::{ACTIVE, Frame};

/// Frames of a cycle of 50 Hz at 8000 a second.
const PERIOD: usize = 160;

/// Cosine and sine of each frame of a cycle; their values do not matter for the count.
pub type Table = [(i32, i32); PERIOD];

/// A table that the compiler knows nothing of.
pub fn table() -> Table {
    black_box(core::array::from_fn(|k| (k as i32 * 26_000, 4_000_000 - k as i32 * 26_000)))
}

/// The sums over some frames.
#[inline(never)]
pub fn sums(frames: &[Frame], table: &Table) {
    let mut s = [0i64; 3 * ACTIVE + 3];
    for (frame, &(cos, sin)) in frames.iter().zip(table) {
        let x = frame.counts();
        for k in 0..ACTIVE {
            let y = i64::from(x[k]);
            s[k] += y * y;
            s[ACTIVE + k] += y * i64::from(cos);
            s[2 * ACTIVE + k] += y * i64::from(sin);
        }
        for k in 0..3 {
            s[3 * ACTIVE + k] += i64::from(x[k]) * i64::from(x[k + 3]);
        }
    }
    black_box(s);
}
