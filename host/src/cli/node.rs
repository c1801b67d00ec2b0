//! `wattless node`: arguments and printing.

use super::{Outcome, calibrate, live, print};
use serde_json::{Map, Value, json};
use std::path::{Path, PathBuf};
use wattless::collect::address::Address;
use wattless::collect::chain::tag_text;
use wattless::collect::drift::{ClockNote, Drift, drift, drift_text};
use wattless::collect::link::{AnyClient, ClockReading, Patience};
use wattless::collect::settings_file;
use wattless::collect::store::{NodeId, Store};
use wattless::present::number::{four_digits, pf};
use wattless_core::calibration::{CurrentSensor, SensorKind};
use wattless_core::flags::Flags;
use wattless_core::frame::Channel;
use wattless_core::power::{Dc, PowerConfig};
use wattless_core::record::WallQuality;
use wattless_core::settings::Settings;
use wattless_core::wire::{Identity, Live, LivePhase, LogHead, Refusal, Status};

/// Who and how is a node: identity, status, clock, settings
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct Args {
    #[command(subcommand)]
    task: Option<Task>,
    /// The node: tcp:HOST:PORT or serial:PATH
    #[arg(required = true)]
    address: Option<Address>,
    /// Set the node's clock to this computer's
    #[arg(long)]
    set_clock: bool,
    /// Give the node the settings in this TOML file; what it does not name stays
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Print the settings as such a file, and nothing else
    #[arg(long, conflicts_with = "json")]
    settings_file: bool,
    /// Compare with what this store holds of the node: its last record, its clock at earlier pulls
    #[arg(long, value_name = "FOLDER")]
    store: Option<PathBuf>,
    /// Show the readings in place, about every second, until Ctrl-C
    #[arg(long, conflicts_with_all = ["set_clock", "settings", "settings_file", "store"])]
    live: bool,
    /// Seconds between two readings of --live
    #[arg(long, value_name = "S", requires = "live", default_value = "1", value_parser = every)]
    every: f64,
    /// End --live after so many readings
    #[arg(long, value_name = "N", requires = "live")]
    readings: Option<u64>,
    /// Site file (TOML): demand interval and time zone of --live
    #[arg(long, value_name = "FILE", requires = "live")]
    site: Option<PathBuf>,
    /// Print one JSON object; one a line with --live
    #[arg(long)]
    json: bool,
}

fn every(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(s) if (0.2..=3600.0).contains(&s) => Ok(s),
        _ => Err("give 0.2 to 3600 seconds".to_owned()),
    }
}

#[derive(Debug, clap::Subcommand)]
enum Task {
    Calibrate(calibrate::Args),
}

struct Report {
    identity: Identity,
    status: Status,
    settings: Settings,
    clock: ClockReading,
    /// How far the clock was ahead before it was set, in ms, if it was set; none without a clock.
    clock_set: Option<Option<i64>>,
    settings_written: bool,
    /// The newest window; none just after a start.
    live: Option<Live>,
    /// Where the chain over its log stands; none from a node too old to know.
    head: Option<LogHead>,
    stored: Option<Stored>,
}

/// What a store holds of the node.
struct Stored {
    next_seq: u32,
    /// Whether its last record is the node's, where the node still holds it.
    same: Option<bool>,
    drift: Option<Drift>,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let address = match (&args.task, &args.address) {
        (Some(Task::Calibrate(args)), _) => return calibrate::run(args),
        (None, Some(address)) => address,
        (None, None) => anyhow::bail!("give the node's address: tcp:HOST:PORT or serial:PATH"),
    };
    if args.live {
        let show = live::Show {
            every_s: args.every,
            readings: args.readings,
            site: args.site.as_deref(),
            json: args.json,
        };
        return live::run(address, &show);
    }
    let mut client = AnyClient::open(address, Patience::default())?;
    let mut settings = client.settings()?;
    if let Some(path) = &args.settings {
        let wanted = settings_file::read(path, &settings)?;
        client.write_settings(&wanted)?;
        settings = client.settings()?;
        if settings != wanted {
            anyhow::bail!(
                "{}: the node has other settings than it was given; another program may have \
                 changed them: try again",
                address
            );
        }
    }
    let clock_set = if args.set_clock {
        let (_, before) = client.status_and_clock()?;
        client.set_clock()?;
        Some(before.offset_ms)
    } else {
        None
    };
    if args.settings_file {
        print(&settings_file::write(&settings))?;
        return Ok(Outcome::Done);
    }
    let live = match client.live() {
        Ok(live) => Some(live),
        Err(e) if e.refusal() == Some(Refusal::NotReady) => None,
        Err(e) => return Err(e.into()),
    };
    let (status, clock) = client.status_and_clock()?;
    let report = Report {
        identity: client.identity().clone(),
        status,
        settings,
        clock,
        clock_set,
        settings_written: args.settings.is_some(),
        live,
        head: client.log_head()?,
        stored: args.store.as_deref().map(|f| compare(&mut client, f, &clock)).transpose()?,
    };
    if args.json {
        print(&format!("{:#}\n", report.json()))?;
    } else {
        print(&report.text())?;
    }
    let differs = report.stored.is_some_and(|s| s.same == Some(false));
    Ok(if differs { Outcome::No } else { Outcome::Done })
}

/// Compares a store's last record of the node with the node's own, and their clocks.
fn compare(client: &mut AnyClient, folder: &Path, clock: &ClockReading) -> anyhow::Result<Stored> {
    let store = Store::open(folder)?;
    let id = NodeId(client.identity().node_id);
    let Some(node) = store.node(id)? else {
        anyhow::bail!("{}: this store holds nothing of node {id}", folder.display());
    };
    let (last, status) = (store.extent(id)?.last_seq, client.status()?);
    let held = last.filter(|seq| (status.log.oldest..status.log.next).contains(seq));
    let same = match held {
        None => None,
        Some(seq) => {
            let stored = store.read_records(id, seq..=seq)?.next().transpose()?;
            let page = client.read_log(seq, 1)?;
            stored.map(|s| page.pages.as_slice() == s.record.encode())
        }
    };
    let mut notes = store.clock_notes(id)?;
    notes.push(ClockNote {
        host_ms: client.now_ms(),
        boot: status.boot,
        uptime_ms: status.uptime_ms,
        offset_ms: clock.offset_ms,
        round_trip_us: u32::try_from(clock.round_trip.as_micros()).unwrap_or(u32::MAX),
        was_set: false,
    });
    Ok(Stored { next_seq: node.next_seq.unwrap_or(0), same, drift: drift(&notes) })
}

fn dc_name(dc: Dc) -> &'static str {
    match dc {
        Dc::Keep => "keep",
        Dc::Remove => "remove",
    }
}

fn quality_name(quality: WallQuality) -> &'static str {
    match quality {
        WallQuality::None => "none",
        WallQuality::Clock => "clock",
        WallQuality::Host => "host",
    }
}

/// A time here as people write it, with the offset of this computer's time zone.
fn local(ms: u64) -> String {
    let time = i64::try_from(ms).ok().and_then(|ms| jiff::Timestamp::from_millisecond(ms).ok());
    time.map_or("-".to_owned(), |t| {
        let here = t.to_zoned_datetime(jiff::tz::TimeZone::system());
        here.strftime("%Y-%m-%d %H:%M:%S (UTC%:z)").to_string()
    })
}

/// A length of time in the two largest units.
fn length(seconds: u64) -> String {
    let (d, h, m, s) = (seconds / 86_400, seconds / 3600 % 24, seconds / 60 % 60, seconds % 60);
    match (d, h, m) {
        (0, 0, 0) => format!("{s} s"),
        (0, 0, _) => format!("{m} min {s} s"),
        (0, _, _) => format!("{h} h {m} min"),
        _ => format!("{d} d {h} h"),
    }
}

fn row(name: &str, text: impl std::fmt::Display) -> String {
    format!("  {name:<16}{text}\n")
}

/// P over S; none without load.
fn power_factor(p: &LivePhase) -> Option<f64> {
    (p.loaded && p.s_va > 0.0).then(|| f64::from(p.p_w / p.s_va))
}

impl Report {
    fn text(&self) -> String {
        let (id, s) = (&self.identity, &self.status);
        let mut out = format!("Node {}\n", NodeId(id.node_id));
        let feeder = self.settings.feeder.as_str();
        out += &row("feeder", if feeder.is_empty() { "(no name)" } else { feeder });
        out += &row("hardware", id.hardware.as_str());
        let program = format!("{}, record format {}", id.firmware, id.record_version);
        out += &row("program", program);
        let rate = f64::from(id.sample_rate_mhz) / 1000.0;
        out += &row("sampling", format!("{rate:.3} samples per second and channel"));
        let running = length(s.uptime_ms / 1000);
        out += &row("start", format!("number {}, {running} ago", s.boot));
        out += &self.clock_text();
        let held = s.log.next.saturating_sub(s.log.oldest);
        let records = if held == 0 {
            format!("empty, next is {}", s.log.next)
        } else {
            format!("numbers {} to {}", s.log.oldest, s.log.next.saturating_sub(1))
        };
        out += &row("log", records);
        let span = length(u64::from(s.log.capacity) * u64::from(self.settings.interval_s));
        let room = format!("{held} of {} records; holds the last {span}", s.log.capacity);
        out += &row("", room);
        if let Some(head) = &self.head {
            let last = head.seq.map_or("none yet".to_owned(), |seq| format!("number {seq}"));
            out += &row("last tag", format!("{} ({last})", tag_text(&head.tag)));
        }
        if let Some(s) = &self.stored {
            let same = match s.same {
                Some(true) => "its last record is the node's",
                Some(false) => "ITS LAST RECORD IS NOT THE NODE'S: pull into a new store",
                None => "the node no longer holds its last record",
            };
            out += &row("store", format!("next is {}; {same}", s.next_seq));
            if let Some(drift) = &s.drift {
                out += &row("clock drift", drift_text(drift));
            }
        }
        out += &row("samples lost", format!("{} since the start", s.frames_lost));
        out += &row("failed writes", format!("{} since the start", s.write_failures));
        out += &row("bad requests", format!("{} since the start", s.link_errors));
        out + &self.settings_text() + &self.live_text()
    }

    fn clock_text(&self) -> String {
        let s = &self.status;
        let mut out = match (s.wall_ms, self.clock.offset_ms) {
            (Some(wall), Some(offset)) => {
                let whence = match s.wall_quality {
                    WallQuality::Host => "set or confirmed by a computer since the start",
                    WallQuality::Clock => "from its battery, not confirmed since the start",
                    WallQuality::None => "of unknown quality",
                };
                let against = format!("{:+.1} s against this computer", offset as f64 / 1000.0);
                row("clock", local(wall)) + &row("", against) + &row("", whence)
            }
            _ => row("clock", "not set; set it with --set-clock"),
        };
        match self.clock_set {
            Some(Some(ms)) => {
                out += &row("", format!("was {:+.1} s until now set", ms as f64 / 1000.0));
            }
            Some(None) => out += &row("", "had no time until now set"),
            None => {}
        }
        out
    }

    fn live_text(&self) -> String {
        let Some(live) = &self.live else {
            return "Now\n  no reading yet: ask again in a second\n".into();
        };
        let hz = live.frequency_hz.map_or("no fundamental".into(), |f| format!("{f:.3} Hz"));
        let mut out =
            format!("Now, {hz}\n  phase          V         A        kW      kvar       PF\n");
        for (k, p) in live.phases.iter().take(live.wiring.phases()).enumerate() {
            let cells = [p.v_rms_v, p.i_rms_a, p.p_w / 1000.0, p.q1_var / 1000.0]
                .map(|x| format!("{:>10}", four_digits(f64::from(x))));
            out += &format!("  L{}   {} {:>8}\n", k + 1, cells.concat(), pf(power_factor(p)));
        }
        for (_, _, meaning) in Flags::ALL.iter().filter(|f| Flags(live.flags).contains(f.0)) {
            out += &format!("  note: {meaning}\n");
        }
        out
    }

    fn live_json(&self) -> Value {
        let Some(live) = &self.live else { return Value::Null };
        let phase = |p: &LivePhase| {
            json!({
                "v_rms_v": p.v_rms_v,
                "i_rms_a": p.i_rms_a,
                "p_w": p.p_w,
                "q1_var": p.q1_var,
                "s_va": p.s_va,
                "pf": power_factor(p),
            })
        };
        let phases: Vec<Value> = live.phases.iter().take(live.wiring.phases()).map(phase).collect();
        json!({
            "uptime_ms": live.uptime_ms,
            "frequency_hz": live.frequency_hz,
            "flags": Flags(live.flags).names().collect::<Vec<_>>(),
            "phases": phases,
            "s_effective_va": live.s_effective_va,
        })
    }

    fn settings_text(&self) -> String {
        let s = &self.settings;
        let written = match (self.settings_written, self.status.has_settings) {
            (true, _) => " (now written)",
            (false, true) => "",
            (false, false) => " (factory values: the node was never calibrated)",
        };
        let mut out = format!("Settings{written}\n");
        out += &row("wiring", s.power.wiring.name());
        out += &row("nominal", format!("{} Hz", s.nominal.hz()));
        out += &row("record", format!("every {} s", s.interval_s));
        let dc = |dc| if dc == Dc::Keep { "kept" } else { "removed" };
        let both = format!("{} in voltages, {} in currents", dc(s.power.v_dc), dc(s.power.i_dc));
        out += &row("DC", both);
        out += "  channel   per count       offset      delay     range (peak)\n";
        let used = s.power.wiring.uses();
        let channels = Channel::ALL.into_iter().zip(&s.power.calibration.channels);
        for ((channel, c), used) in channels.zip(used) {
            let unit = if channel.is_voltage() { "V" } else { "A" };
            let unused = if used { "" } else { "   not used" };
            out += &format!(
                "  {:<8}{:>12.6e} {unit}{:>10}{:>8} ns{:>12.1} {unit}{unused}\n",
                channel.name(),
                c.gain,
                c.offset_counts,
                c.delay_ns,
                c.range_peak(),
            );
        }
        out + &front_end_text(&s.power)
    }

    fn json(&self) -> Value {
        let (id, s, set) = (&self.identity, &self.status, &self.settings);
        let channels: Map<String, Value> = Channel::ALL
            .into_iter()
            .zip(&set.power.calibration.channels)
            .map(|(channel, c)| {
                let unit = if channel.is_voltage() { "v" } else { "a" };
                let mut entry = Map::new();
                entry.insert(format!("gain_{unit}_per_count"), json!(c.gain));
                entry.insert("offset_counts".into(), json!(c.offset_counts));
                entry.insert("delay_ns".into(), json!(c.delay_ns));
                let calibration = &set.power.calibration;
                entry.insert("rc_ns".into(), json!(calibration.rc_ns[channel.slot()]));
                if let Some(sensor) = calibration.sensor(channel.slot()) {
                    entry.insert("sensor".into(), sensor_json(sensor));
                }
                entry.insert(format!("range_peak_{unit}"), json!(c.range_peak()));
                (channel.name().to_owned(), Value::Object(entry))
            })
            .collect();
        json!({
            "node_id": NodeId(id.node_id).to_string(),
            "feeder": set.feeder.as_str(),
            "hardware": id.hardware.as_str(),
            "firmware": id.firmware.as_str(),
            "record_version": id.record_version,
            "sample_rate_hz": f64::from(id.sample_rate_mhz) / 1000.0,
            "boot": s.boot,
            "uptime_ms": s.uptime_ms,
            "wall_ms": s.wall_ms,
            "wall_quality": quality_name(s.wall_quality),
            "clock_offset_ms": self.clock.offset_ms,
            "clock_set": self.clock_set.is_some(),
            "clock_offset_before_ms": self.clock_set.flatten(),
            "log": {
                "oldest_seq": s.log.oldest,
                "next_seq": s.log.next,
                "capacity_records": s.log.capacity,
            },
            "log_head": self.head.map(|h| json!({"seq": h.seq, "tag": tag_text(&h.tag)})),
            "store": self.stored.as_ref().map(|s| json!({
                "next_seq": s.next_seq,
                "last_record_is_the_nodes": s.same,
                "clock_drift": s.drift,
            })),
            "frames_lost": s.frames_lost,
            "windows": s.windows,
            "write_failures": s.write_failures,
            "link_errors": s.link_errors,
            "has_settings": s.has_settings,
            "settings_written": self.settings_written,
            "now": self.live_json(),
            "settings": {
                "nominal_hz": set.nominal.hz(),
                "interval_s": set.interval_s,
                "wiring": set.power.wiring.name(),
                "voltage_dc": dc_name(set.power.v_dc),
                "current_dc": dc_name(set.power.i_dc),
                "sinc3_osr": set.power.calibration.sinc3_osr,
                "channels": channels,
            },
        })
    }
}

/// What the settings say of filters and sensors.
fn front_end_text(power: &PowerConfig) -> String {
    let c = &power.calibration;
    let mut out = match c.sinc3_osr {
        0 => String::new(),
        osr => row("filters", format!("sinc³ of {osr} is taken back")),
    };
    let rc: Vec<String> = Channel::ALL
        .into_iter()
        .filter(|x| c.rc_ns[x.slot()] > 0)
        .map(|x| format!("{} {} µs", x.name(), f64::from(c.rc_ns[x.slot()]) / 1e3))
        .collect();
    if !rc.is_empty() {
        out += &row("input filters", rc.join(", "));
    }
    for (name, sensor) in ["i1", "i2", "i3", "in"].into_iter().zip(&c.sensors) {
        let rows = sensor.points().len();
        let table = format!("table of {rows} rows to {} A", sensor.rated_a);
        match (sensor.kind, rows) {
            (SensorKind::Proportional, 0) => {}
            (SensorKind::Proportional, _) => out += &row(name, table),
            (SensorKind::Rogowski(at), 0) => {
                out += &row(name, format!("Rogowski coil, gain at {} Hz", at.hz()));
            }
            (SensorKind::Rogowski(at), _) => {
                out += &row(name, format!("Rogowski coil, gain at {} Hz, {table}", at.hz()));
            }
        }
    }
    out
}

fn sensor_json(sensor: &CurrentSensor) -> Value {
    let (kind, at) = match sensor.kind {
        SensorKind::Proportional => ("proportional", None),
        SensorKind::Rogowski(at) => ("rogowski", Some(at.hz())),
    };
    let minute = core::f64::consts::PI / 10_800.0;
    json!({
        "kind": kind,
        "reference_hz": at,
        "rated_a": (!sensor.points().is_empty()).then_some(sensor.rated_a),
        "table": sensor.points().iter().map(|p| json!({
            "load_pct": f64::from(p.load_permille) / 10.0,
            "ratio_pct": f64::from(p.ratio_ppm) / 1e4,
            "lead_min": f64::from(p.lead_urad) * 1e-6 / minute,
        })).collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::length;

    #[test]
    fn lengths_keep_two_units() {
        let cases = [(7, "7 s"), (61, "1 min 1 s"), (7260, "2 h 1 min"), (183_600, "2 d 3 h")];
        for (s, text) in cases {
            assert_eq!(length(s), text);
        }
    }
}
