//! `wattless bench`: arguments and printing.

use super::Outcome;
use anyhow::{Context, bail};
use clap::builder::{RangedU64ValueParser, ValueParser};
use indicatif::{ProgressBar, ProgressStyle};
use jiff::civil::DateTime;
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::sync::atomic::AtomicBool;
use wattless::bench::flash::{RamFlash, USUAL_SIZE};
use wattless::bench::port::{Listener, ServeAddress};
use wattless::bench::scenario::{SAWMILL, Scenario};
use wattless::bench::serve::{SPEED_MAX, ServeEvent, Server};
use wattless::bench::truth::Truth;
use wattless::bench::{BenchReport, Setup};

/// Run a simulated node on a simulated feeder
///
/// The feeder comes from a scenario file: supply, loads, calendar, sensors, all randomness from
/// a seed. The node is the real node's program. It is served in real time (--serve), or run
/// through the scenario as fast as the machine goes (--fast), or both one after the other.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Scenario file (TOML); the built-in sawmill of Brackwater Joinery when left out
    scenario: Option<PathBuf>,
    /// Serve the node: tcp:HOST:PORT (port 0: any free one) or pty
    #[arg(long, value_name = "WHERE")]
    serve: Option<ServeAddress>,
    /// Simulated time passes this many times as fast as real time
    #[arg(long, value_name = "N", default_value = "1", conflicts_with = "fast",
          value_parser = ValueParser::new(speed))]
    speed: f64,
    /// Run through the span as fast as the machine goes; with --serve, serve the log after it
    #[arg(long)]
    fast: bool,
    /// Stop a fast run after so many simulated hours
    #[arg(long, value_name = "H", requires = "fast",
          value_parser = RangedU64ValueParser::<u32>::new().range(1..=10_000))]
    hours: Option<u32>,
    /// Start at this local time of the scenario, e.g. 2026-03-02T06:00
    ///
    /// A fast run starts at the beginning of the span otherwise; a served node starts now, on
    /// the same weekday and time of day, the scenario's dates moved by whole weeks.
    #[arg(long, value_name = "TIME")]
    at: Option<DateTime>,
    /// Keep the node's flash in this file, across runs
    #[arg(long, value_name = "FILE")]
    flash: Option<PathBuf>,
    /// Write the built-in scenario, with every key explained, to a new file and stop
    #[arg(long, value_name = "FILE",
          conflicts_with_all = ["scenario", "serve", "speed", "fast", "at", "flash"])]
    write_scenario: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn speed(s: &str) -> Result<f64, String> {
    match s.parse::<f64>() {
        Ok(x) if x > 0.0 && x <= SPEED_MAX => Ok(x),
        _ => Err(format!("give a number above 0, at most {SPEED_MAX}; beyond it use --fast")),
    }
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    if let Some(path) = &args.write_scenario {
        return write_scenario(path, args.json);
    }
    if !args.fast && args.serve.is_none() {
        bail!("nothing to do: give --serve tcp:127.0.0.1:0 (or pty), or --fast, or both");
    }
    let scenario = match &args.scenario {
        Some(path) => Scenario::load(path)?,
        None => Scenario::sawmill()?,
    };
    let setup = match (args.at, args.fast) {
        (Some(at), _) => Setup::starting_at(scenario, at)?,
        (None, true) => Setup::new(scenario),
        (None, false) => Setup::starting_now(&scenario, jiff::Timestamp::now())?,
    };
    let flash = match &args.flash {
        Some(path) => RamFlash::on_file(path, USUAL_SIZE)?,
        None => RamFlash::new(USUAL_SIZE),
    };
    // The address must be good before a long run.
    let listener = args.serve.as_ref().map(Listener::open).transpose()?;
    let mut node = setup.start_node(flash)?;
    let to_ms = match args.hours {
        Some(h) => (setup.from_ms + i64::from(h) * 3_600_000).min(setup.feeder.span_ms()),
        None => setup.feeder.span_ms(),
    };
    let report = args.fast.then(|| {
        let bar = progress_bar(to_ms - setup.from_ms);
        let report = setup.run_fast(&mut node, to_ms, &mut |done| bar.set_position(done as u64));
        bar.finish_and_clear();
        report
    });
    let truth = report.map(|_| Summary::new(&setup, to_ms));
    let address = listener.as_ref().map(|l| l.address().to_owned());
    if args.json {
        let json = to_json(&setup, report.as_ref(), truth.as_ref(), address.as_deref());
        print(&json.to_string())?;
    } else {
        print(&to_text(&setup, args, report.as_ref(), truth.as_ref(), address.as_deref()))?;
    }
    if let Some(listener) = listener {
        let mut server = Server::new(&mut node, listener);
        let never = AtomicBool::new(false);
        let mut tell = |event| notice(event);
        if report.is_some() {
            server.serve(&never, &mut tell);
        } else {
            server.serve_live(&setup, args.speed, &never, &mut tell);
        }
    }
    if report.is_some_and(|r| r.write_failures > 0) {
        bail!("the node could not write all records; is the disk of --flash full?");
    }
    Ok(Outcome::Done)
}

fn write_scenario(path: &PathBuf, as_json: bool) -> anyhow::Result<Outcome> {
    let mut file =
        std::fs::OpenOptions::new().write(true).create_new(true).open(path).with_context(|| {
            format!("{}: cannot be made; give a new file's name", path.display())
        })?;
    file.write_all(SAWMILL.as_bytes())
        .with_context(|| format!("{}: cannot be written", path.display()))?;
    let path = path.display().to_string();
    if as_json {
        print(&json!({ "scenario_file": path }).to_string())?;
        return Ok(Outcome::Done);
    }
    print(&format!("{path}: a scenario to edit. Run it with: wattless bench {path} --fast"))?;
    Ok(Outcome::Done)
}

fn print(text: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{text}")?;
    out.flush()?;
    Ok(())
}

fn progress_bar(length_ms: i64) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(length_ms.max(0) as u64);
    if let Ok(style) = ProgressStyle::with_template("{wide_bar} {percent:>3} %  {eta} left") {
        bar.set_style(style);
    }
    bar
}

fn notice(event: ServeEvent) {
    match event {
        ServeEvent::Came(n) => eprintln!("a client has come (connected: {n})"),
        ServeEvent::Left(n) => eprintln!("a client has gone (connected: {n})"),
        ServeEvent::SpanOver => {
            eprintln!("the scenario's span is over: no more samples; the log can still be read");
        }
        ServeEvent::TooSlow => {
            eprintln!("this machine is too slow for the speed asked for; simulated time lags");
        }
    }
}

/// What the feeder really did, for the end of a fast run.
struct Summary {
    whole: Truth,
    peak: Option<(f64, i64)>,
}

impl Summary {
    /// Seconds of the blocks whose mean power is compared.
    const BLOCK_MS: i64 = 900_000;

    fn new(setup: &Setup, to_ms: i64) -> Summary {
        let of = |from: i64, to: i64| setup.feeder.truth(from as f64 * 1e-3, to as f64 * 1e-3);
        // Blocks of the clock: the span starts on a whole quarter hour or the first is left out.
        let unix = setup.feeder.start_unix_ms();
        let first = setup.from_ms + (-(unix + setup.from_ms)).rem_euclid(Self::BLOCK_MS);
        let mut peak: Option<(f64, i64)> = None;
        let mut at = first;
        while at + Self::BLOCK_MS <= to_ms {
            let p_w = of(at, at + Self::BLOCK_MS).total_p_w();
            if peak.is_none_or(|(most, _)| p_w > most) {
                peak = Some((p_w, at + Self::BLOCK_MS));
            }
            at += Self::BLOCK_MS;
        }
        Summary { whole: of(setup.from_ms, to_ms), peak }
    }

    fn varh(&self) -> f64 {
        let [q1, q2, q3, q4] = self.whole.varh;
        q1 + q2 - q3 - q4
    }
}

fn to_json(
    setup: &Setup,
    report: Option<&BenchReport>,
    truth: Option<&Summary>,
    address: Option<&str>,
) -> serde_json::Value {
    json!({
        "plant": setup.scenario.plant.name,
        "feeder": setup.scenario.plant.feeder,
        "seed": setup.scenario.span.seed,
        "start_unix_ms": setup.unix_ms(setup.from_ms),
        "address": address,
        "fast_run": report.map(|r| json!({
            "frames": r.frames,
            "simulated_s": r.simulated_s,
            "wall_s": r.wall_s,
            "ns_per_frame": r.ns_per_frame(),
            "feeder_ns_per_frame": r.feeder_ns_per_frame(),
            "log_oldest_seq": r.log.oldest,
            "log_next_seq": r.log.next,
            "write_failures": r.write_failures,
        })),
        "truth": truth.map(|t| json!({
            "active_in_wh": t.whole.wh[0],
            "active_out_wh": t.whole.wh[1],
            "reactive_varh": t.varh(),
            "average_pf": t.whole.average_pf(),
            "peak_15min_w": t.peak.map(|p| p.0),
            "peak_15min_end_unix_ms": t.peak.map(|p| setup.unix_ms(p.1)),
        })),
    })
}

fn to_text(
    setup: &Setup,
    args: &Args,
    report: Option<&BenchReport>,
    truth: Option<&Summary>,
    address: Option<&str>,
) -> String {
    let plant = &setup.scenario.plant;
    let zone = setup.scenario.zone();
    let local = |ms: i64| {
        let t = jiff::Timestamp::from_millisecond(setup.unix_ms(ms) as i64).unwrap_or_default();
        zone.to_datetime(t).strftime("%a %Y-%m-%d %H:%M").to_string()
    };
    let mut lines = vec![format!(
        "{}, feeder {} (simulated, seed {})",
        plant.name, plant.feeder, setup.scenario.span.seed
    )];
    if let (Some(r), Some(t)) = (report, truth) {
        let millions = r.frames as f64 / 1e6;
        lines.push(format!(
            "Simulated     {:.2} h from {}, {millions:.1} million frames",
            r.simulated_s / 3600.0,
            local(setup.from_ms)
        ));
        if let (Some(all), Some(feeder)) = (r.ns_per_frame(), r.feeder_ns_per_frame()) {
            lines.push(format!(
                "Took          {:.1} s: {all:.1} ns per frame, {feeder:.1} ns of it the feeder",
                r.wall_s
            ));
        }
        let bounds = r.log;
        lines.push(format!(
            "Log           {} records, sequence numbers {} to {}",
            bounds.next.saturating_sub(bounds.oldest),
            bounds.oldest,
            bounds.next.saturating_sub(1)
        ));
        let pf = t.whole.average_pf().map_or("–".into(), |pf| format!("{pf:.3}"));
        lines.push(format!(
            "Really flowed {:.0} kWh, {:.0} kvarh, average PF {pf}",
            t.whole.wh[0] / 1e3,
            t.varh() / 1e3
        ));
        if let Some((p_w, end_ms)) = t.peak {
            lines.push(format!(
                "Peak          {:.1} kW over the 15 min to {}",
                p_w / 1e3,
                local(end_ms)
            ));
        }
    } else {
        let pace = if args.speed == 1.0 {
            "in real time".to_owned()
        } else {
            format!("{} times as fast as real time", args.speed)
        };
        lines.push(format!("Starts {} site time, {pace}", local(setup.from_ms)));
    }
    if let Some(address) = address {
        lines.push(format!("Serving       {address}   (Ctrl-C ends it)"));
    }
    lines.join("\n")
}
