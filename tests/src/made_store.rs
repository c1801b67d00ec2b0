//! Stores filled with made logs, for checks of the program from the outside.

use std::path::Path;
use wattless::collect::log::IntervalLog;
use wattless::collect::store::{Batch, Store};
use wattless_core::flags::Flags;
use wattless_core::record::{Record, RecordPhase, WallQuality, round_f24};
use wattless_core::settings::Settings;
use wattless_core::window::Nominal;
use wattless_core::wire::Identity;
use wattless_core::wiring::Wiring;

/// A record of the store with the numbers of a log; its windows reach ±`swing` of the means.
pub fn record(l: &IntervalLog, at: usize, wiring: Wiring, swing: f64) -> Record {
    let phases = std::array::from_fn(|k| RecordPhase {
        v_rms_v: l.v_rms_v[k][at],
        i_rms_a: l.i_rms_a[k][at],
        p_w: l.p_w[k][at],
        q1_var: l.q1_var[k][at],
        s_va: round_f24(l.s_va[k][at]),
        ..RecordPhase::default()
    });
    let around = |x: f64| [1.0 - swing, 1.0 + swing].map(|f| round_f24((x * f) as f32));
    Record {
        // The last format without a chain: made records have no node that tagged them.
        version: 1,
        wiring,
        nominal: Nominal::Hz50,
        flags: Flags(l.flags[at]),
        seq: l.seq[at],
        boot: l.boot[at],
        uptime_ms: (at as u64 + 1) * u64::from(l.duration_us[at] / 1000),
        wall_ms: l.end_ms[at] as u64,
        wall_quality: WallQuality::Host,
        void_before: 0,
        windows: 300,
        duration_us: l.duration_us[at],
        frames_lost: 0,
        energy_counts: std::array::from_fn(|c| l.energy_counts[c][at]),
        frequency_10uhz: l.frequency_10uhz[at],
        phases,
        s_effective_va: f32::NAN,
        i_neutral_a: 0.0,
        p_min_max_w: around(l.total_p_w(at)),
        q1_min_max_var: around(l.total_q1_var(at)),
        ..Record::BLANK
    }
}

/// Makes a store with a node for each named log.
///
/// Panics where the store cannot be made: a check must not pass without it.
pub fn store(folder: &Path, logs: &[(&str, &IntervalLog)]) {
    store_with(folder, logs, Wiring::FourWire, 0.1);
}

/// The same with a wiring and a swing of the windows.
pub fn store_with(folder: &Path, logs: &[(&str, &IntervalLog)], wiring: Wiring, swing: f64) {
    let mut store = Store::create(folder).expect("a store can be made");
    for (k, (feeder, log)) in logs.iter().enumerate() {
        let identity = Identity {
            node_id: 0x5A17 + k as u64,
            firmware: "0.1.0".try_into().expect("short"),
            record_version: 1,
            hardware: "bench".try_into().expect("short"),
            sample_rate_mhz: 8_000_000,
            boot: 1,
        };
        let feeder = (*feeder).try_into().expect("a short name");
        let settings = Settings { feeder, ..Settings::default() };
        let now = log.end_ms.last().copied().unwrap_or(0);
        let id = store.meet(&identity, &settings, now).expect("a node can be noted");
        let records: Vec<Record> =
            (0..log.len()).map(|at| record(log, at, wiring, swing)).collect();
        let next_seq = records.last().map_or(0, |r| r.seq + 1);
        let batch = Batch { records: &records, gaps: &[], next_seq };
        store.append(id, &batch).expect("records can be stored");
    }
}
