//! Logs written by hand: records with the power that a check asks for, counters that follow.

use wattless::collect::log::IntervalLog;
use wattless_core::flags::Flags;

/// Voltage of every phase of a made log, in V.
pub const V: f64 = 230.0;

/// Writes records one after another.
#[derive(Clone, Debug)]
pub struct LogMaker {
    /// The log so far.
    pub log: IntervalLog,
    /// End of the last record, Unix milliseconds.
    pub now_ms: i64,
    /// Number of the next record.
    pub seq: u32,
    /// Number of the node's start.
    pub boot: u32,
    /// Remarks for the next record.
    pub flags: Flags,
    /// Fundamental over true apparent power; below 1 with harmonics.
    pub distortion: f64,
    /// Shares of the phases in power.
    pub shares: [f64; 3],
    /// Counters in Wh: in, out, quadrants I to IV, VAh.
    counters_wh: [f64; 7],
}

impl LogMaker {
    /// Starts at an instant, given in milliseconds since 1970.
    pub fn at(now_ms: i64) -> LogMaker {
        LogMaker {
            log: IntervalLog::default(),
            now_ms,
            seq: 1,
            boot: 1,
            flags: Flags::NONE,
            distortion: 1.0,
            shares: [1.0 / 3.0; 3],
            counters_wh: [1000.0; 7],
        }
    }

    /// Writes a record of a length in seconds with total kW and kvar.
    pub fn record(&mut self, length_s: f64, kw: f64, kvar: f64) -> &mut Self {
        self.now_ms += (length_s * 1000.0).round() as i64;
        let hours = length_s / 3600.0;
        let (p, q) = (kw * 1e3, kvar * 1e3);
        let s = libm::sqrt(p * p + q * q) / self.distortion;
        let quadrant = match (p >= 0.0, q >= 0.0) {
            (true, true) => 2,
            (false, true) => 3,
            (false, false) => 4,
            (true, false) => 5,
        };
        self.counters_wh[if p >= 0.0 { 0 } else { 1 }] += p.abs() * hours;
        self.counters_wh[quadrant] += q.abs() * hours;
        self.counters_wh[6] += s * hours;
        let log = &mut self.log;
        log.seq.push(self.seq);
        log.boot.push(self.boot);
        log.end_ms.push(self.now_ms);
        log.duration_us.push((length_s * 1e6).round() as u32);
        log.flags.push(self.flags.0);
        log.placed.push(false);
        log.frames_lost.push(0);
        log.frequency_10uhz.push(5_000_000);
        for (k, share) in self.shares.iter().enumerate() {
            log.v_rms_v[k].push(V as f32);
            log.i_rms_a[k].push((s * share / V) as f32);
            log.p_w[k].push((p * share) as f32);
            log.q1_var[k].push((q * share) as f32);
            log.s_va[k].push((s * share) as f32);
        }
        log.s_effective_va.push(s as f32);
        for (column, wh) in log.energy_counts.iter_mut().zip(self.counters_wh) {
            column.push((wh * 100.0).floor() as u64);
        }
        self.seq += 1;
        self.flags = Flags::NONE;
        self
    }

    /// Writes `n` equal records.
    pub fn records(&mut self, n: usize, length_s: f64, kw: f64, kvar: f64) -> &mut Self {
        for _ in 0..n {
            self.record(length_s, kw, kvar);
        }
        self
    }

    /// Lets time go by without a record.
    pub fn pause(&mut self, seconds: f64) -> &mut Self {
        self.now_ms += (seconds * 1000.0).round() as i64;
        self
    }

    /// Counts energy and record numbers that no record of the log holds.
    pub fn absent(&mut self, n: u32, length_s: f64, kw: f64, kvar: f64) -> &mut Self {
        let kept = self.log.clone();
        self.records(n as usize, length_s, kw, kvar);
        self.log = kept;
        self
    }
}

/// A log that starts at an instant such as `2026-06-01T00:00:00Z`.
pub fn at(instant: &str) -> LogMaker {
    match instant.parse::<jiff::Timestamp>() {
        Ok(t) => LogMaker::at(t.as_millisecond()),
        Err(e) => panic!("{instant}: {e}"),
    }
}

/// Reactive power of a load at a lagging power factor, in the unit of the load.
pub fn kvar(kw: f64, pf: f64) -> f64 {
    kw * wattless_core::correction::tan_of_pf(pf).unwrap_or(f64::NAN)
}

/// Minutes with what a plant does in each: its number, whether the plant works (weekdays from 06 to
/// 18 h, the first day being one), and noise from 0 to 1 that is the same every time.
pub fn weekday_minutes(minutes: usize) -> impl Iterator<Item = (usize, bool, f64)> {
    let mut state = 1u64;
    (0..minutes).map(move |minute| {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let noise = (state >> 40) as f64 / (1u64 << 24) as f64;
        let works = minute / 1440 % 7 < 5 && (360..1080).contains(&(minute % 1440));
        (minute, works, noise)
    })
}

/// A week from Monday 00:00 UTC in 5-minute records: kW and kvar on working days from 06 to
/// 18 h, and at all other times.
pub fn production_week(day: (f64, f64), night: (f64, f64)) -> LogMaker {
    let mut log = at("2026-06-01T00:00:00Z");
    for d in 0..7 {
        for slot in 0..288 {
            let works = d < 5 && (72..216).contains(&slot);
            let (kw, kvar) = if works { day } else { night };
            log.record(300.0, kw, kvar);
        }
    }
    log
}
