//! `wattless node`: arguments and printing.

use super::{Outcome, print};
use anyhow::Context;
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::PathBuf;
use wattless::collect::address::Address;
use wattless::collect::link::{AnyClient, LinkError, Patience};
use wattless::collect::node_settings;
use wattless::collect::store::NodeId;
use wattless::present::number::{four_digits, grouped, pf, span};
use wattless_core::flags::Flags;
use wattless_core::frame::Channel;
use wattless_core::settings::Settings;
use wattless_core::wire::{Identity, Live, Refusal, Status};

/// Who and how is a node: identity, status, readings, settings
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The node: serial:PATH or tcp:HOST:PORT
    #[arg(required_unless_present = "write_example")]
    node: Option<Address>,
    /// Set the node's clock to this computer's
    #[arg(long)]
    set_clock: bool,
    /// Write the settings of this file (TOML) into the node
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Write a settings file to edit, with every entry explained, and stop
    #[arg(long, value_name = "FILE", conflicts_with_all = ["node", "set_clock", "settings"])]
    write_example: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    if let Some(path) = &args.write_example {
        let name = path.display();
        let mut file = std::fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(path)
            .with_context(|| format!("{name}: cannot be made; give a new file's name"))?;
        std::io::Write::write_all(&mut file, node_settings::EXAMPLE.as_bytes())
            .with_context(|| format!("{name}: cannot be written"))?;
        return done(args, json!({ "settings_file": name.to_string() }), || {
            format!("{name}: settings to edit\n")
        });
    }
    let Some(address) = &args.node else { anyhow::bail!("name a node") };
    let settings = args.settings.as_deref().map(node_settings::load).transpose()?;
    let mut client = AnyClient::open(address, Patience::default())?;
    if let Some(settings) = &settings {
        client.write_settings(settings)?;
    }
    if args.set_clock {
        client.set_clock()?;
    }
    let (status, clock) = client.status_and_clock()?;
    let settings = client.settings()?;
    let live = match client.live() {
        Ok(live) => Some(live),
        Err(LinkError::Refused { refusal: Refusal::NotReady, .. }) => None,
        Err(e) => return Err(e.into()),
    };
    let identity = client.identity().clone();
    let ahead_ms = clock.offset_ms;
    done(args, to_json(&identity, &status, ahead_ms, &settings, live.as_ref()), || {
        to_text(&identity, &status, ahead_ms, &settings, live.as_ref())
    })
}

fn done(args: &Args, json: Value, text: impl FnOnce() -> String) -> anyhow::Result<Outcome> {
    print(&if args.json { format!("{json:#}\n") } else { text() })?;
    Ok(Outcome::Done)
}

fn to_text(
    id: &Identity,
    status: &Status,
    ahead_ms: Option<i64>,
    settings: &Settings,
    live: Option<&Live>,
) -> String {
    let mut t = String::new();
    // Writing into a string cannot fail.
    let _ = text_into(&mut t, id, status, ahead_ms, settings, live);
    t
}

fn text_into(
    t: &mut String,
    id: &Identity,
    status: &Status,
    ahead_ms: Option<i64>,
    settings: &Settings,
    live: Option<&Live>,
) -> std::fmt::Result {
    let feeder =
        if settings.feeder.is_empty() { "feeder without a name" } else { &settings.feeder };
    writeln!(t, "Node {}, {feeder}", NodeId(id.node_id))?;
    writeln!(
        t,
        "Program     {} on {}, {} samples a second",
        id.firmware,
        id.hardware,
        grouped(f64::from(id.sample_rate_mhz) / 1000.0)
    )?;
    let up = span(status.uptime_ms as f64 / 1000.0);
    writeln!(t, "Running     {up} since start {}", status.boot)?;
    let clock = match ahead_ms {
        None => "no time: give it with --set-clock".into(),
        Some(ms) if ms.abs() < 1000 => format!("right within {} ms", ms.abs().max(1)),
        Some(ms) => {
            let side = if ms > 0 { "ahead" } else { "behind" };
            format!("{} {side}: correct it with --set-clock", span(ms.abs() as f64 / 1000.0))
        }
    };
    writeln!(t, "Clock       {clock}")?;
    let log = status.log;
    let held = log.next.saturating_sub(log.oldest);
    let lasts = span(f64::from(log.capacity) * f64::from(settings.interval_s));
    writeln!(
        t,
        "Log         {} records from {} on; room for {}, which lasts {lasts}",
        grouped(f64::from(held)),
        log.oldest,
        grouped(f64::from(log.capacity))
    )?;
    let trouble = [
        (status.frames_lost, "samples lost"),
        (u64::from(status.write_failures), "records not written"),
        (u64::from(status.link_errors), "requests not understood"),
    ];
    for (n, what) in trouble.into_iter().filter(|(n, _)| *n > 0) {
        writeln!(t, "Trouble     {n} {what} since the start")?;
    }
    writeln!(
        t,
        "Settings    {}, {:.0} Hz, a record every {} s{}",
        settings.power.wiring.name(),
        settings.nominal.hz(),
        settings.interval_s,
        if status.has_settings { "" } else { "  (defaults: give it --settings)" }
    )?;
    for (lead, c) in used(settings) {
        let unit = if lead.is_voltage() { "V" } else { "A" };
        writeln!(
            t,
            "  {}        full scale {} {unit} peak, offset {} counts, delay {} ns",
            lead.name(),
            four_digits(c.gain * f64::from(wattless_core::frame::COUNT_MAX)),
            c.offset_counts,
            c.delay_ns
        )?;
    }
    let Some(live) = live else {
        return writeln!(t, "Now         no reading yet; ask again in a second");
    };
    let hz = live.frequency_hz.map_or("no fundamental".into(), |f| format!("{f:.3} Hz"));
    writeln!(t, "Now         {hz}")?;
    writeln!(t, "             V       A      kW    kvar      PF")?;
    for (k, p) in live.phases.iter().take(live.wiring.phases()).enumerate() {
        let factor = (p.loaded && p.s_va > 0.0).then(|| f64::from(p.p_w / p.s_va));
        let kilo = |x: f32| four_digits(f64::from(x) / 1000.0);
        writeln!(
            t,
            "  L{}  {:>8} {:>7} {:>7} {:>7}  {:>6}",
            k + 1,
            four_digits(f64::from(p.v_rms_v)),
            four_digits(f64::from(p.i_rms_a)),
            kilo(p.p_w),
            kilo(p.q1_var),
            pf(factor)
        )?;
    }
    for (_, _, meaning) in Flags::ALL.iter().filter(|f| Flags(live.flags).contains(f.0)) {
        writeln!(t, "  Note: {meaning}")?;
    }
    Ok(())
}

fn used(
    s: &Settings,
) -> impl Iterator<Item = (Channel, &wattless_core::calibration::ChannelCalibration)> {
    Channel::ALL
        .into_iter()
        .zip(&s.power.calibration.channels)
        .zip(s.power.wiring.uses())
        .filter_map(|(lead, used)| used.then_some(lead))
}

fn to_json(
    id: &Identity,
    status: &Status,
    ahead_ms: Option<i64>,
    settings: &Settings,
    live: Option<&Live>,
) -> Value {
    let channels: serde_json::Map<String, Value> = used(settings)
        .map(|(lead, c)| {
            let key = if lead.is_voltage() { "full_scale_v" } else { "full_scale_a" };
            let full = c.gain * f64::from(wattless_core::frame::COUNT_MAX);
            let offset = c.offset_counts;
            let entry = json!({ key: full, "offset_counts": offset, "delay_ns": c.delay_ns });
            (lead.name().to_owned(), entry)
        })
        .collect();
    let now = live.map(|l| {
        let phases: Vec<Value> = l
            .phases
            .iter()
            .take(l.wiring.phases())
            .map(|p| {
                json!({
                    "v_rms_v": p.v_rms_v,
                    "i_rms_a": p.i_rms_a,
                    "p_w": p.p_w,
                    "q1_var": p.q1_var,
                    "s_va": p.s_va,
                    "pf": (p.loaded && p.s_va > 0.0).then(|| p.p_w / p.s_va),
                })
            })
            .collect();
        json!({
            "uptime_ms": l.uptime_ms,
            "frequency_hz": l.frequency_hz,
            "flags": Flags(l.flags).names().collect::<Vec<_>>(),
            "phases": phases,
            "s_effective_va": l.s_effective_va,
        })
    });
    json!({
        "node_id": NodeId(id.node_id).to_string(),
        "firmware": id.firmware.as_str(),
        "hardware": id.hardware.as_str(),
        "record_version": id.record_version,
        "sample_rate_hz": f64::from(id.sample_rate_mhz) / 1000.0,
        "boot": status.boot,
        "uptime_ms": status.uptime_ms,
        "wall_ms": status.wall_ms,
        "wall_quality": status.wall_quality,
        "clock_ahead_ms": ahead_ms,
        "log": {
            "oldest": status.log.oldest,
            "next": status.log.next,
            "capacity": status.log.capacity,
        },
        "frames_lost": status.frames_lost,
        "write_failures": status.write_failures,
        "link_errors": status.link_errors,
        "has_settings": status.has_settings,
        "settings": {
            "feeder": settings.feeder.as_str(),
            "wiring": settings.power.wiring.name(),
            "nominal_hz": settings.nominal.hz() as u32,
            "interval_s": settings.interval_s,
            "v_dc": settings.power.v_dc,
            "i_dc": settings.power.i_dc,
            "channels": channels,
        },
        "now": now,
    })
}
