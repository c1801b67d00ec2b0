//! quick
use std::f64::consts::TAU;
use wattless_core::{calibration::*, frame::*, power::*, window::*, wiring::*};
#[test]
fn quick() {
    for (f, rate) in [
        (50.0, 8000.0),
        (49.37, 8000.0),
        (42.5, 8000.0),
        (61.3, 8000.0),
        (69.0, 8000.0),
        (57.3, 5760.0),
    ] {
        for phi in [0.0f64, 0.5, 1.4] {
            let (va, ia) = (325.0, 14.0);
            let n = (rate * 1.0) as usize;
            let gv = 400.0 / 8388607.0;
            let gi = 20.0 / 8388607.0;
            let frames: Vec<Frame> = (0..n)
                .map(|k| {
                    let t = (k as f64 + 0.5) / rate;
                    let mut c = [0; 8];
                    for p in 0..3 {
                        let a = TAU * f * t + 0.3 - p as f64 * TAU / 3.0;
                        let v =
                            va * (a.cos() + 0.05 * (5.0 * a).cos() + 0.03 * (7.0 * a + 1.0).cos());
                        let b = a - phi;
                        let i = ia * (b.cos() + 0.2 * (5.0 * b).cos() + 0.1 * (11.0 * b).cos());
                        c[p] = (v / gv).round() as i32;
                        c[3 + p] = (i / gi).round() as i32;
                    }
                    Frame::new(c)
                })
                .collect();
            let mut cal = Calibration::default();
            for k in 0..8 {
                cal.channels[k] = ChannelCalibration::with_gain(if k < 3 { gv } else { gi });
            }
            let cfg = PowerConfig {
                wiring: Wiring::FourWire,
                calibration: cal,
                v_dc: Dc::Keep,
                i_dc: Dc::Keep,
            };
            let mut m = Meter::new(
                MeterConfig { sample_rate_hz: rate, nominal: Nominal::nearest(f) },
                vec![Frame::ZERO; 20000],
            )
            .unwrap();
            let vt = va / 2f64.sqrt() * (1.0f64 + 0.0025 + 0.0009).sqrt();
            let it = ia / 2f64.sqrt() * (1.0f64 + 0.04 + 0.01).sqrt();
            let pt = va * ia / 2.0 * (phi.cos() + 0.05 * 0.2 * (5.0 * phi).cos());
            let q1 = va * ia / 2.0 * phi.sin();
            let mut out = vec![];
            let mut sink = |w: &Window| out.push(read_window(w, &cfg));
            m.push(&frames, &mut sink);
            let left = m.finish(&mut sink);
            let mut e = [0f64; 6];
            for r in &out {
                for p in &r.phases {
                    e[0] = e[0].max((p.v_rms_v / vt - 1.0).abs() * 100.0);
                    e[1] = e[1].max((p.i_rms_a / it - 1.0).abs() * 100.0);
                    e[2] = e[2].max((p.p_w - pt).abs() / (vt * it) * 100.0);
                    e[3] = e[3].max((p.q1_var - q1).abs() / (vt * it) * 100.0);
                    e[4] = e[4].max((p.phi1_deg().unwrap() - phi.to_degrees()).abs());
                }
                e[5] = e[5].max((r.frequency_hz.unwrap() - f).abs() * 1e3);
            }
            println!(
                "{f} {rate} {phi} n={} left={left} V {:.6}% I {:.6}% P {:.6}% Q {:.6}% phi {:.6} f {:.4} mHz",
                out.len(),
                e[0],
                e[1],
                e[2],
                e[3],
                e[4],
                e[5]
            );
        }
    }
}
