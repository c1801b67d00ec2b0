//! speed
use std::time::Instant;
use wattless_core::{calibration::*, frame::*, kernel, power::*, window::*, wiring::*};
fn main() {
    let frames: Vec<Frame> = (0..1600)
        .map(|k| {
            let a = 2.0 * std::f64::consts::PI * k as f64 / 160.0;
            Frame::new([0, 1, 2, 3, 4, 5, 0, 0].map(|p| (4e6 * (a - p as f64).cos()) as i32))
        })
        .collect();
    let cfg = PowerConfig {
        wiring: Wiring::FourWire,
        calibration: Calibration::default(),
        v_dc: Dc::Keep,
        i_dc: Dc::Keep,
    };
    for _ in 0..3 {
        let mut m = Meter::new(
            MeterConfig { sample_rate_hz: 8000.0, nominal: Nominal::Hz50 },
            vec![Frame::ZERO; 800],
        )
        .unwrap();
        let t = Instant::now();
        let reps = 5000;
        let mut acc = 0.0;
        for _ in 0..reps {
            m.push(&frames, &mut |w| acc += read_window(w, &cfg).total.p_w);
        }
        println!(
            "meter {:.2} ns/frame {acc}",
            t.elapsed().as_nanos() as f64 / (reps * 1600) as f64
        );
        // bare
        let table: Vec<(i32, i32)> = (0..160)
            .map(|k| {
                let a = 2.0 * std::f64::consts::PI * k as f64 / 160.0;
                ((a.cos() * 4194304.0) as i32, (-a.sin() * 4194304.0) as i32)
            })
            .collect();
        let t = Instant::now();
        let mut tot = 0i64;
        for _ in 0..reps {
            let mut s = [0i64; 21];
            let mut k = 0;
            for f in std::hint::black_box(&frames) {
                let x = f.counts();
                let (c, sn) = table[k];
                k += 1;
                if k == 160 {
                    k = 0
                }
                for i in 0..6 {
                    let xi = x[i] as i64;
                    s[i] += xi * xi;
                    s[6 + i] += xi * c as i64;
                    s[12 + i] += xi * sn as i64;
                }
                for i in 0..3 {
                    s[18 + i] += x[i] as i64 * x[i + 3] as i64;
                }
            }
            for v in s {
                tot = tot.wrapping_add(v);
            }
        }
        println!("bare {:.2} ns/frame {tot}", t.elapsed().as_nanos() as f64 / (reps * 1600) as f64);
        let r = kernel::Reference { cos: [1 << 21; 32], neg_sin: [1 << 20; 32] };
        let t = Instant::now();
        let mut tot = 0i64;
        for _ in 0..reps {
            for b in frames.chunks(32) {
                tot ^= kernel::float::sum_block(b, &r).product[3];
            }
        }
        println!(
            "kernel f64 {:.2} ns/frame {tot}",
            t.elapsed().as_nanos() as f64 / (reps * 1600) as f64
        );
        let t = Instant::now();
        let mut tot = 0i64;
        for _ in 0..reps {
            for b in frames.chunks(32) {
                tot ^= kernel::integer::sum_block(b, &r).product[3];
            }
        }
        println!(
            "kernel int {:.2} ns/frame {tot}",
            t.elapsed().as_nanos() as f64 / (reps * 1600) as f64
        );
    }
}
