//! COMTRADE in every storage and count files, measured through the library and the program.
//!
//! The recordings are written here in closed form (IEEE C37.111), so that what they must
//! read is known: 230 V, 10 A lagging by 30 degrees at 50 Hz, and 5 V of DC on phase 3.

use serde_json::Value;
use std::f64::consts::{PI, SQRT_2, TAU};
use std::path::{Path, PathBuf};
use wattless::analyse::measure::{MeasureError, MeasureOptions, Measurement, measure};
use wattless::collect::counts::CountsWriter;
use wattless::collect::waveform::{Lead, OpenOptions, WaveformError, open};
use wattless_core::calibration::ChannelCalibration;
use wattless_core::chain;
use wattless_core::flags::Flags;
use wattless_core::frame::Frame;
use wattless_core::interval::Energies;
use wattless_core::record::{PAGE, Record, Stamp};
use wattless_core::settings::Settings;
use wattless_node::sampler::Sampler;
use wattless_tests::program;

const RATE: f64 = 8000.0;

/// v1, v2, v3, i1, i2, i3 in V and A at a time.
fn plant(t: f64) -> [f64; 6] {
    let wave = |rms: f64, deg: f64| rms * SQRT_2 * libm::cos(TAU * 50.0 * t + deg * PI / 180.0);
    [
        wave(230.0, 0.0),
        wave(230.0, -120.0),
        wave(230.0, 120.0) + 5.0,
        wave(10.0, -30.0),
        wave(10.0, -150.0),
        wave(10.0, 90.0),
    ]
}

/// How a recording is written.
#[derive(Clone)]
struct Recording {
    storage: &'static str,
    revision: &'static str,
    /// Unit, multiplier, offset of voltages; stored = (value − b)/a.
    v: (&'static str, f64, f64),
    i: (&'static str, f64, f64),
    side: &'static str,
    ratio: (f64, f64),
    limits: &'static str,
    rates: String,
    samples: usize,
    skew_us: f64,
}

impl Default for Recording {
    fn default() -> Self {
        Recording {
            storage: "BINARY",
            revision: "1999",
            v: ("V", 0.0125, 0.0),
            i: ("A", 0.0005, 0.0),
            side: "P",
            ratio: (1.0, 1.0),
            limits: "-32767,32767",
            rates: "1\r\n8000,4000".into(),
            samples: 4000,
            skew_us: 0.0,
        }
    }
}

impl Recording {
    fn config(&self) -> String {
        let mut c = format!("Brackwater Joinery,Sawmill main,{}\r\n8,7A,1D\r\n", self.revision);
        let (primary, secondary) = self.ratio;
        for (k, name) in ["Ua", "Ub", "Uc", "Ia", "Ib", "Ic", "In"].into_iter().enumerate() {
            let (unit, a, b) = if k < 3 { self.v } else { self.i };
            let phase = ["A", "B", "C", "A", "B", "C", "N"][k];
            c += &format!("{},{name},{phase},Sawmill main,{unit},{a},{b},", k + 1);
            c += &format!("{},{}", if k < 3 { 0.0 } else { self.skew_us }, self.limits);
            if self.revision != "1991" {
                c += &format!(",{primary},{secondary},{}", self.side);
            }
            c += "\r\n";
        }
        c += &format!("1,Door,,,0\r\n50\r\n{}\r\n", self.rates);
        c += "25/11/2026,10:00:00.000000\r\n25/11/2026,10:00:00.100000\r\n";
        c += self.storage;
        c + if self.revision == "1991" { "\r\n" } else { "\r\n1\r\n" }
    }

    /// Stored values of a sample, the neutral current last.
    fn stored(&self, n: usize) -> [f64; 7] {
        let t = n as f64 / RATE;
        let late = plant(t + self.skew_us * 1e-6);
        let mut x = plant(t);
        x[3..].copy_from_slice(&late[3..]);
        let neutral = x[3] + x[4] + x[5];
        std::array::from_fn(|k| {
            let (unit, a, b) = if k < 3 { self.v } else { self.i };
            let prefix = if unit.starts_with('k') { 1000.0 } else { 1.0 };
            let shown = x.get(k).copied().unwrap_or(neutral) / prefix;
            let shown = if self.side == "S" { shown * self.ratio.1 / self.ratio.0 } else { shown };
            (shown - b) / a
        })
    }

    fn data(&self) -> Vec<u8> {
        let mut out = Vec::new();
        for n in 0..self.samples {
            let stored = self.stored(n);
            let stamp = (n as f64 / RATE * 1e6).round() as u32;
            if self.storage == "ASCII" {
                let values = stored.map(|x| format!("{}", libm::rint(x) as i64)).join(",");
                out.extend(format!("{},{stamp},{values},0\r\n", n + 1).bytes());
                continue;
            }
            out.extend((n as u32 + 1).to_le_bytes());
            out.extend(stamp.to_le_bytes());
            for x in stored {
                match self.storage {
                    "BINARY" => out.extend((libm::rint(x) as i16).to_le_bytes()),
                    "BINARY32" => out.extend((libm::rint(x) as i32).to_le_bytes()),
                    _ => out.extend((x as f32).to_le_bytes()),
                }
            }
            out.extend([0, 0]);
        }
        out
    }

    /// Writes the pair and returns the configuration's path.
    fn put(&self, folder: &Path) -> PathBuf {
        std::fs::write(folder.join("plant.dat"), self.data()).unwrap();
        let path = folder.join("plant.cfg");
        std::fs::write(&path, self.config()).unwrap();
        path
    }

    /// Writes a single file.
    fn put_single(&self, folder: &Path) -> PathBuf {
        let data = self.data();
        let size =
            if self.storage == "ASCII" { String::new() } else { format!(": {}", data.len()) };
        let mut all = format!(
            "--- file type: CFG ---\r\n{}--- file type: INF ---\r\n--- file type: HDR ---\r\n\
             --- file type: DAT {}{size} ---\r\n",
            self.config(),
            self.storage
        )
        .into_bytes();
        all.extend(data);
        let path = folder.join("plant.CFF");
        std::fs::write(&path, all).unwrap();
        path
    }
}

fn read(path: &Path, options: &OpenOptions) -> Result<Measurement, MeasureError> {
    let mut file = open(path, options)?;
    measure(&mut file, &MeasureOptions::default())
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} ± {tolerance}");
}

/// The plant's own numbers, within what the steps of the storage allow.
#[track_caller]
fn check(m: &Measurement, share: f64) {
    assert_eq!((m.sample_rate_hz, m.wiring.name()), (RATE, "four-wire"));
    let s = &m.intervals[0].summary;
    assert_eq!(s.windows, 2);
    for (k, p) in s.phases.iter().enumerate() {
        let v = if k == 2 { libm::sqrt(230.0 * 230.0 + 25.0) } else { 230.0 };
        near(p.v_rms_v, v, v * share);
        near(p.i_rms_a, 10.0, 10.0 * share);
        near(p.p_w, 2300.0 * libm::sqrt(0.75), 2300.0 * share);
        near(p.q1_var, 1150.0, 2300.0 * share);
        near(p.phi1_deg().unwrap(), 30.0, 60.0 * share);
    }
    near(m.intervals[0].phase_dc(m.wiring, 2).0, 5.0, 400.0 * share);
    assert_eq!(s.flags.0, 0);
}

#[test]
fn every_storage_and_both_kinds_of_file() {
    let folder = tempfile::tempdir().unwrap();
    for storage in ["ASCII", "BINARY", "BINARY32", "FLOAT32"] {
        let limits = match storage {
            "BINARY32" => "-2147483647,2147483647",
            "FLOAT32" => "-3.4028235E38,3.4028235E38",
            _ => "-32767,32767",
        };
        let r = Recording { storage, limits, revision: "2013", ..Recording::default() };
        let pair = r.put(folder.path());
        let m = read(&pair, &OpenOptions::default()).unwrap();
        check(&m, 5e-5);
        assert_eq!(read(&pair.with_extension("dat"), &OpenOptions::default()).unwrap(), m);
        let single = r.put_single(folder.path());
        assert_eq!(read(&single, &OpenOptions::default()).unwrap(), m, "{storage}");
    }
}

#[test]
fn units_offsets_sides_and_revisions() {
    let folder = tempfile::tempdir().unwrap();
    let plain = Recording::default();
    let variants = [
        Recording { v: ("kV", 0.0125e-3, 0.0), ..plain.clone() },
        Recording { v: ("V", 0.0125, -20.0), i: ("A", 0.0005, 1.5), ..plain.clone() },
        // A multiplier below zero turns stored values around, not the plant.
        Recording { v: ("V", -0.0125, 0.0), ..plain.clone() },
        Recording {
            side: "S",
            ratio: (200.0, 5.0),
            v: ("V", 0.0004, 0.0),
            i: ("A", 1.25e-5, 0.0),
            ..plain.clone()
        },
        Recording { revision: "1991", storage: "ASCII", ..plain.clone() },
        // No sample rate: the time stamps tell.
        Recording { rates: "0\r\n0,4000".into(), ..plain.clone() },
        // Currents are sampled 50 µs after the voltages: 0.9 degrees.
        Recording { skew_us: 50.0, ..plain.clone() },
        Recording { limits: "0,0", ..plain.clone() },
    ];
    for (k, r) in variants.iter().enumerate() {
        let m = read(&r.put(folder.path()), &OpenOptions::default());
        check(&m.unwrap_or_else(|e| panic!("variant {k}: {e}")), 5e-5);
    }
    // Names with letters of ISO-8859-1 and a SUB character at the end are no trouble.
    let path = plain.put(folder.path());
    let mut bytes: Vec<u8> = Vec::new();
    for c in plain.config().replace("Brackwater", "S\u{e4}gewerk").chars() {
        bytes.push(u32::from(c) as u8);
    }
    bytes.push(0x1A);
    std::fs::write(&path, bytes).unwrap();
    check(&read(&path, &OpenOptions::default()).unwrap(), 5e-5);
}

#[test]
fn sections_of_different_rates_are_chosen_not_mixed() {
    let folder = tempfile::tempdir().unwrap();
    let r = Recording {
        rates: "3\r\n4000,100\r\n8000,4100\r\n1000,5000".into(),
        samples: 5000,
        ..Recording::default()
    };
    let path = r.put(folder.path());
    let error = read(&path, &OpenOptions::default()).unwrap_err().to_string();
    assert!(error.contains("2: samples 101 to 4100 at 8000 Hz"), "{error}");
    assert!(error.contains("--section"), "{error}");
    let second = OpenOptions { section: Some(2), ..OpenOptions::default() };
    check(&read(&path, &second).unwrap(), 5e-5);
    let fourth = OpenOptions { section: Some(4), ..OpenOptions::default() };
    assert!(read(&path, &fourth).unwrap_err().to_string().contains("it has 3"));
}

#[test]
fn channels_by_name_number_and_component() {
    let folder = tempfile::tempdir().unwrap();
    let path = Recording::default().put(folder.path());
    let choose = |pairs: &[(Lead, &str)]| OpenOptions {
        channels: pairs.iter().map(|&(l, n)| (l, n.to_owned())).collect(),
        ..OpenOptions::default()
    };
    let m = read(&path, &choose(&[(Lead::V1, "Ub"), (Lead::I1, "#5")])).unwrap();
    assert_eq!(m.wiring.name(), "single-phase");
    near(m.intervals[0].summary.phases[0].p_w, 2300.0 * libm::sqrt(0.75), 0.2);
    let error = |o: OpenOptions| read(&path, &o).unwrap_err().to_string();
    let e = error(choose(&[(Lead::V1, "Ux"), (Lead::I1, "Ia")]));
    assert!(e.contains("'Ux'") && e.contains("#4 Ia (A, Sawmill main, A)"), "{e}");
    let e = error(choose(&[(Lead::V1, "Ia"), (Lead::I1, "Ia")]));
    assert!(e.contains("not a voltage"), "{e}");
    let e = error(choose(&[(Lead::V1, "Ua"), (Lead::V1, "Ub")]));
    assert!(e.contains("v1 twice"), "{e}");
    let e = error(choose(&[(Lead::V1, "Ua")]));
    assert!(e.contains("make no wiring"), "{e}");
    let e = error(OpenOptions { component: Some("Compressor".into()), ..OpenOptions::default() });
    assert!(e.contains("cannot be told"), "{e}");
}

/// What is missing or cut off is said with file and sample, never bridged.
#[test]
fn damaged_recordings_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let error = |path: &Path| {
        let e = read(path, &OpenOptions::default()).unwrap_err();
        assert!(matches!(e, MeasureError::File(WaveformError::Comtrade { .. })), "{e}");
        e.to_string()
    };
    let binary = Recording::default();
    let path = binary.put(folder.path());
    let dat = path.with_extension("dat");
    let good = std::fs::read(&dat).unwrap();
    std::fs::write(&dat, &good[..good.len() - 1]).unwrap();
    let e = error(&path);
    assert!(e.contains("plant.dat") && e.contains("3999") && e.contains("cut off"), "{e}");

    // The mark of a missing value in channel 2 of sample 1000.
    let size = good.len() / 4000;
    let mut bad = good.clone();
    bad[999 * size + 10..999 * size + 12].copy_from_slice(&i16::MIN.to_le_bytes());
    std::fs::write(&dat, &bad).unwrap();
    let e = error(&path);
    assert!(e.contains("sample 1000 of Ub") && e.contains("missing"), "{e}");
    // A missing value of a channel that is not measured does not matter.
    let mut fine = good.clone();
    fine[999 * size + 20..999 * size + 22].copy_from_slice(&i16::MIN.to_le_bytes());
    std::fs::write(&dat, &fine).unwrap();
    check(&read(&path, &OpenOptions::default()).unwrap(), 5e-5);

    let ascii = Recording { storage: "ASCII", ..Recording::default() };
    let path = ascii.put(folder.path());
    let text = String::from_utf8(std::fs::read(&dat).unwrap()).unwrap();
    let with_line = |n: usize, line: &str| {
        let mut lines: Vec<&str> = text.lines().collect();
        lines[n - 1] = line;
        std::fs::write(&dat, lines.join("\r\n")).unwrap();
        error(&path)
    };
    let e = with_line(7, "7,750,1,99999,3,4,5,6,7,0");
    assert!(e.contains("sample 7 of Ub") && e.contains("missing"), "{e}");
    let e = with_line(8, "8,875,1,,3,4,5,6,7,0");
    assert!(e.contains("sample 8 of Ub") && e.contains("missing"), "{e}");
    let e = with_line(9, "9,1000,1,2,x,4,5,6,7,0");
    assert!(e.contains("sample 9") && e.contains("'x'"), "{e}");
    let e = with_line(10, "10,1125,1,2");
    assert!(e.contains("sample 10") && e.contains("4 fields"), "{e}");

    std::fs::remove_file(&dat).unwrap();
    let e = error(&path);
    assert!(e.contains("plant.dat") && e.contains("not there"), "{e}");
    std::fs::write(&dat, &good).unwrap();
    std::fs::write(&path, &binary.config()[..200]).unwrap();
    let e = error(&path);
    assert!(e.contains("plant.cfg") && e.contains("cut off"), "{e}");
    std::fs::write(&path, binary.config().replace("0.0125", "zero")).unwrap();
    let e = error(&path);
    assert!(e.contains("line 3") && e.contains("'zero'"), "{e}");
    let single = binary.put_single(folder.path());
    let bytes = std::fs::read(&single).unwrap();
    std::fs::write(&single, &bytes[..bytes.len() - 10]).unwrap();
    let e = error(&single);
    assert!(e.contains("plant.CFF") && e.contains("cut off"), "{e}");
}

/// A group whose converter moves by a step or two is no load, however it is scaled.
#[test]
fn the_last_steps_of_dead_channels_are_no_load() {
    let folder = tempfile::tempdir().unwrap();
    let r = Recording { v: ("V", 300.0, 0.0), i: ("A", 10.0, 0.0), ..Recording::default() };
    let m = read(&r.put(folder.path()), &OpenOptions::default()).unwrap();
    let s = &m.intervals[0].summary;
    assert!(!s.total.loaded && s.total.pf_arithmetic().is_none());
}

/// Settings and counts of a node's converter.
fn node_counts(seconds: f64) -> (Settings, Vec<Frame>) {
    let mut settings = Settings { interval_s: 1, ..Settings::default() };
    for (slot, c) in settings.power.calibration.channels.iter_mut().enumerate() {
        *c = ChannelCalibration::with_gain(if slot < 3 { 6e-5 } else { 4e-6 });
        c.offset_counts = 300 * slot as i32;
        c.delay_ns = -2000 * slot as i32;
    }
    let frames = (0..(seconds * RATE) as usize).map(|n| {
        let x = plant((n as f64 + 0.5) / RATE);
        let mut counts = [0; 8];
        for (slot, count) in counts.iter_mut().take(6).enumerate() {
            let c = settings.power.calibration.channels[slot];
            *count = (x[slot] / c.gain) as i32 + c.offset_counts;
        }
        Frame::new(counts)
    });
    let frames = frames.collect();
    (settings, frames)
}

/// The records of the program and of a node's sampler on the same counts, byte for byte.
#[test]
fn records_of_a_count_file_are_those_of_a_node() {
    let (settings, frames) = node_counts(5.35);
    let mut node = Sampler::new(RATE, &settings, Energies::default()).unwrap();
    let mut pages = Vec::new();
    let mut tag = chain::first_tag(0x182);
    let mut keep = |node: &mut Sampler, pages: &mut Vec<u8>| {
        while let Some(f) = node.waiting() {
            let seq = (pages.len() / PAGE) as u32;
            let stamp = Stamp { seq, boot: 1, uptime_ms: f.uptime_ms, ..Stamp::default() };
            let mut record = Record::new(&f.summary, &stamp, &f.energies, f.wiring, f.nominal);
            let first = Flags::BOOTED.with(Flags::ENERGY_RESTARTED);
            record.flags.insert_if(seq == 0, first);
            let mut page = record.encode();
            tag = chain::append(&tag, &mut page);
            pages.extend(page);
            node.written();
        }
    };
    for chunk in frames.chunks(37) {
        node.push(chunk);
        keep(&mut node, &mut pages);
    }
    node.finish();
    keep(&mut node, &mut pages);

    let folder = tempfile::tempdir().unwrap();
    let (counts, out) = (folder.path().join("node.counts"), folder.path().join("node.pages"));
    let mut w =
        CountsWriter::new(std::fs::File::create(&counts).unwrap(), RATE, &settings, 6).unwrap();
    w.write(&frames).unwrap();
    w.finish().unwrap();
    let run = program::command()
        .args(["measure", "--json", counts.to_str().unwrap(), "--records", out.to_str().unwrap()])
        .args(["--node-id", "182"])
        .output()
        .unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let json: Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!((&json["records"], &json["interval_s"]), (&6.into(), &1.into()));

    let got = std::fs::read(&out).unwrap();
    assert_eq!(got.len(), 6 * PAGE);
    assert!(got == pages, "the program's records differ from the node's");

    // The same file read for people: settings, calibration and wiring are the node's.
    let mut file = open(&counts, &OpenOptions::default()).unwrap();
    let options = MeasureOptions { interval_s: Some(1.0), ..MeasureOptions::default() };
    let m = measure(&mut file, &options).unwrap();
    assert_eq!(m.intervals.len(), 6);
    near(m.intervals[1].summary.phases[0].v_rms_v, 230.0, 0.01);
    // The current's channel leads by 6 µs, 0.108 degrees: the current itself lags more.
    near(m.intervals[1].summary.phases[0].phi1_deg().unwrap(), 30.0 + 0.108, 0.001);
}
