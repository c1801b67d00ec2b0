//! `wattless hookup`: arguments and printing.

use super::wave_file::WaveArgs;
use super::{Outcome, print};
use anyhow::bail;
use serde_json::{Map, Value, json};
use std::path::Path;
use std::time::Duration;
use wattless::analyse::hookup::{Knowledge, Picture, check, of_file, of_node};
use wattless::analyse::reread::AsIf;
use wattless::collect::address::Address;
use wattless::collect::link::{AnyClient, Patience};
use wattless::present::hookup::{CAUTIONS, instruction, next_check, page, reason};
use wattless::present::text::Style;
use wattless_core::hookup::{
    Connection, Explanation, HookupReport, LoadKind, LoadPicture, Moves, Nameplate, PhaseLoad,
    Verdict,
};

/// Is it connected right, and if not, which lead or clamp to move
///
/// Looks at the phasors of the fundamental and tries every way of connecting the leads. Exit
/// code 0: right. 1: wrong, or doubtful. Nothing that leads strongly or feeds back is expected
/// of a feeder unless --load says so; a motor at no load is passed once harmonics of the supply,
/// --load or its nameplate tell it from a leading load with the clamps on the wrong lines.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A node (serial:PATH or tcp:HOST:PORT) or a file of sampled waveforms
    source: String,
    #[command(flatten)]
    wave: WaveArgs,
    /// What the load is now: motor, corrected (motors with capacitors), may-lead,
    /// generating, capacitor (a bank alone) [default: unknown]
    #[arg(long, value_name = "KIND", value_parser = parse_load, default_value = "unknown",
          hide_default_value = true)]
    load: LoadKind,
    /// Rated current of the motor, or of the motors together, in A
    #[arg(long, value_name = "A", value_parser = parse_positive)]
    nameplate_a: Option<f64>,
    /// Power factor of the motor at full load, 0 to 1
    #[arg(long, value_name = "PF", value_parser = parse_pf, requires = "nameplate_a")]
    nameplate_pf: Option<f64>,
    /// What the voltage leads should read, in V
    #[arg(long, value_name = "V", value_parser = parse_positive)]
    expected_v: Option<f64>,
    /// A file of the same connection at another load, to tell look-alikes apart
    #[arg(long, value_name = "FILE", conflicts_with = "then_after")]
    then: Option<String>,
    /// Look at the node again after so many seconds, when the load has been changed
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u32).range(1..=3600))]
    then_after: Option<u32>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn parse_load(text: &str) -> Result<LoadKind, String> {
    let names = LoadKind::ALL.map(LoadKind::name).join(", ");
    LoadKind::from_name(text).ok_or_else(|| format!("known kinds of load are {names}"))
}

fn parse_positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(x) if x > 0.0 && x <= 1e9 => Ok(x),
        _ => Err("give a number above 0".into()),
    }
}

fn parse_pf(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(x) if x > 0.0 && x <= 1.0 => Ok(x),
        _ => Err("a power factor is above 0 and at most 1".into()),
    }
}

/// Whether a source is meant as a node, not as a file.
fn is_node(source: &str) -> bool {
    ["tcp:", "serial:"].iter().any(|kind| source.starts_with(kind))
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let known = Knowledge {
        wiring: args.wave.wiring,
        load: args.load,
        nameplate: args
            .nameplate_a
            .map(|rated_a| Nameplate { rated_a, rated_pf: args.nameplate_pf }),
        expected_v: args.expected_v,
    };
    let picture = if is_node(&args.source) { from_node(args)? } else { from_file(args)? };
    let picture = picture.with(&known);
    let report = check(&picture);
    print(&if args.json {
        format!("{:#}\n", to_json(&args.source, &picture, &report))
    } else {
        page(&args.source, &picture, &report, Style::for_stdout())
    })?;
    Ok(if report.verdict == Verdict::Right { Outcome::Done } else { Outcome::No })
}

fn from_node(args: &Args) -> anyhow::Result<Picture> {
    let then = args.then.as_ref().map(|_| "--then");
    if let Some(option) = args.wave.of_files().or(then) {
        bail!("{}: {option} is for files; leave it out for a node", args.source);
    }
    let address: Address = args.source.parse()?;
    let mut client = AnyClient::open(&address, Patience::default())?;
    let first = of_node(&mut client)?;
    let Some(seconds) = args.then_after else {
        return Ok(first);
    };
    eprintln!("first picture taken; change the load now, the second follows in {seconds} s");
    std::thread::sleep(Duration::from_secs(u64::from(seconds)));
    Ok(first.beside(&of_node(&mut client)?))
}

fn from_file(args: &Args) -> anyhow::Result<Picture> {
    if args.then_after.is_some() {
        bail!("{}: --then-after is for nodes; for a file, give another with --then", args.source);
    }
    let take = |path: &str| -> anyhow::Result<Picture> {
        let mut file = args.wave.open(Path::new(path))?;
        Ok(of_file(&mut file, args.wave.nominal_hz)?)
    };
    let first = take(&args.source)?;
    match &args.then {
        Some(path) => Ok(first.beside(&take(path)?)),
        None => Ok(first),
    }
}

fn to_json(source: &str, picture: &Picture, report: &HookupReport) -> Value {
    let best = report.best.as_ref();
    let behind = best.map_or(0.0, |b| b.cost);
    let moves = report.moves();
    json!({
        "source": source,
        "wiring": report.wiring.name(),
        "frequency_hz": picture.input.frequency_hz,
        "rotation": report.rotation.map(|r| r.name()),
        "load": picture.input.load.name(),
        "verdict": report.verdict.name(),
        "connected": best.map(|b| connected(&b.connection)),
        "as_if_wired": best
            .filter(|b| !b.connection.is_as_labelled())
            .and_then(|b| AsIf::mending(&b.connection))
            .map(|words| words.to_string()),
        "moves": moves_json(&moves),
        "cautions": if moves.is_empty() { &[][..] } else { &CAUTIONS[..] },
        "readings_now": readings(&report.as_connected),
        "readings_after": best.map(|b| readings(&b.load)),
        "alternatives": report
            .alternatives
            .iter()
            .map(|a| explanation(a, behind))
            .collect::<Vec<_>>(),
        "why": report
            .reasons
            .iter()
            .map(|r| json!({"code": r.code(), "text": reason(r)}))
            .collect::<Vec<_>>(),
        "checks": report
            .checks
            .iter()
            .map(|c| json!({"code": c.code(), "text": next_check(*c)}))
            .collect::<Vec<_>>(),
    })
}

/// Where each lead really sits.
fn connected(c: &Connection) -> Value {
    let mut leads = Map::new();
    for p in &c.placements() {
        let place = json!({"phase": p.place.name(), "reversed": p.reversed});
        leads.insert(p.channel.name().to_owned(), place);
    }
    Value::Object(leads)
}

fn moves_json(moves: &Moves) -> Value {
    let one = |m: &wattless_core::hookup::Move| {
        json!({
            "lead": m.lead.name(),
            "action": m.action.name(),
            "to": m.to.name(),
            "text": instruction(m),
        })
    };
    moves.iter().map(one).collect()
}

fn readings(load: &LoadPicture) -> Value {
    let one = |p: &PhaseLoad| {
        json!({
            "p1_w": p.p1_w,
            "q1_var": p.q1_var,
            "dpf": p.dpf(),
            "phi1_deg": p.phi_deg(),
        })
    };
    json!({
        "phases": load
            .phases
            .iter()
            .zip(load.unknown)
            .take(load.count)
            .map(|(p, unknown)| if unknown { Value::Null } else { one(p) })
            .collect::<Vec<_>>(),
        "total": load.complete().then(|| one(&load.total())),
    })
}

fn explanation(e: &Explanation, best_cost: f64) -> Value {
    json!({
        "connected": connected(&e.connection),
        "moves": moves_json(&e.moves),
        "readings": readings(&e.load),
        "same_readings": e.same_power,
        "less_likely_by_nats": e.cost - best_cost,
    })
}
