//! `wattless node calibrate`: arguments and printing.

use super::{Outcome, print};
use anyhow::bail;
use serde_json::{Value, json};
use std::time::Duration;
use wattless::analyse::calibrate::{
    PhaseStep, Readings, Reference, Step, captures, offsets, phase_step, watch, with_step,
};
use wattless::collect::address::Address;
use wattless::collect::link::{AnyClient, Patience};
use wattless_core::settings::Settings;

/// Captures of 50 ms that the offsets are taken from.
const CAPTURES: usize = 10;

/// Set gain, offset and delay by a reference that reads the same load
///
/// Compares the node with a reference instrument on the same conductors and steady load, and
/// says what the settings of one phase should become; --write stores it in the node and compares
/// again. Line voltage is for qualified persons: sensors and taps are placed with the circuit
/// dead and locked out, and a transformer's secondary is never opened under load. The whole
/// procedure is in hardware-notes/calibration.md.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The node: tcp:HOST:PORT or serial:PATH
    address: Address,
    /// Phase to calibrate, 1 to 3
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=3))]
    phase: u8,
    /// RMS voltage that the reference reads, in V
    #[arg(long, value_name = "V")]
    volts: Option<f64>,
    /// RMS current that the reference reads, in A
    #[arg(long, value_name = "A")]
    amperes: Option<f64>,
    /// Angle of voltage before current, in degrees, lagging positive; 0 for a heater
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, conflicts_with_all = ["watts", "vars"])]
    angle: Option<f64>,
    /// Active power that the reference reads, in W, for the angle
    #[arg(long, value_name = "W", requires = "vars", allow_negative_numbers = true)]
    watts: Option<f64>,
    /// Reactive power of the fundamental that the reference reads, in var
    #[arg(long, value_name = "VAR", requires = "watts", allow_negative_numbers = true)]
    vars: Option<f64>,
    /// Set the offsets of all channels instead: inputs shorted, nothing live
    #[arg(long, conflicts_with_all = ["volts", "amperes", "angle", "watts", "vars"])]
    offsets: bool,
    /// Seconds of comparison
    #[arg(long, default_value_t = 20.0, value_name = "S")]
    seconds: f64,
    /// Store the result in the node and compare again
    #[arg(long)]
    write: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    if !(1.5..=600.0).contains(&args.seconds) {
        bail!("--seconds takes 1.5 to 600");
    }
    let mut client = AnyClient::open(&args.address, Patience::default())?;
    let settings = client.settings()?;
    if args.offsets {
        zero(args, &mut client, &settings)
    } else {
        compare(args, &mut client, &settings)
    }
}

fn positive(name: &str, x: Option<f64>) -> anyhow::Result<Option<f64>> {
    match x {
        Some(x) if !(x.is_finite() && x > 0.0) => bail!("--{name} takes a number above 0"),
        x => Ok(x),
    }
}

fn store(client: &mut AnyClient, wanted: &Settings) -> anyhow::Result<()> {
    client.write_settings(wanted)?;
    if client.settings()? != *wanted {
        bail!(
            "the node has other settings than it was given; another program may have changed them"
        );
    }
    Ok(())
}

fn compare(args: &Args, client: &mut AnyClient, settings: &Settings) -> anyhow::Result<Outcome> {
    let phi_deg = match (args.angle, args.watts, args.vars) {
        (Some(deg), ..) if !(-180.0..=180.0).contains(&deg) => {
            bail!("--angle takes -180 to 180 degrees")
        }
        (Some(deg), ..) => Some(deg),
        (None, Some(w), Some(var)) => Some(libm::atan2(var, w).to_degrees()),
        _ => None,
    };
    let reference = Reference {
        v_rms_v: positive("volts", args.volts)?,
        i_rms_a: positive("amperes", args.amperes)?,
        phi_deg,
    };
    let phase = usize::from(args.phase) - 1;
    let time = Duration::from_secs_f64(args.seconds);
    // What is missing is said before the wait.
    if reference == Reference::default() {
        return Err(wattless::analyse::calibrate::CalibrateError::NoReference.into());
    }
    let before = watch(client, time)?;
    let step = phase_step(settings, phase, &before, &reference)?;
    let wanted = with_step(settings, phase, &step)?;
    let after = if args.write {
        store(client, &wanted)?;
        // The first windows after a change may still be of the old settings.
        std::thread::sleep(Duration::from_secs(1));
        Some(watch(client, time)?)
    } else {
        None
    };
    let text = if args.json {
        let value = json!({
            "phase": args.phase,
            "reference": {
                "v_rms_v": reference.v_rms_v, "i_rms_a": reference.i_rms_a,
                "phi_deg": reference.phi_deg,
            },
            "before": reading_json(phase, &before),
            "settings": {
                "v_gain_v_per_count": step_json(step.v_gain),
                "i_gain_a_per_count": step_json(step.i_gain),
                "i_delay_ns": step_json(step.i_delay_ns),
            },
            "written": args.write,
            "after": after.as_ref().map(|r| reading_json(phase, r)),
        });
        format!("{value:#}\n")
    } else {
        words(phase, &reference, &before, &step, after.as_ref())
    };
    print(&text)?;
    Ok(Outcome::Done)
}

fn step_json(s: Option<Step>) -> Value {
    s.map_or(Value::Null, |s| json!({ "old": s.old, "new": s.new }))
}

fn reading_json(phase: usize, r: &Readings) -> Value {
    json!({
        "v_rms_v": r.channels[phase].rms,
        "i_rms_a": r.channels[phase + 3].rms,
        "phi_deg": r.phi_deg[phase],
        "frequency_hz": r.frequency_hz,
        "readings": r.count,
    })
}

fn words(
    phase: usize,
    reference: &Reference,
    before: &Readings,
    step: &PhaseStep,
    after: Option<&Readings>,
) -> String {
    let mut out = format!("Phase L{}, {} readings\n", phase + 1, before.count);
    out += &format!(
        "  {:<16}{:>12}{:>12}{:>12}\n",
        "",
        "reference",
        "node",
        if after.is_some() { "now" } else { "" }
    );
    let rows = [
        (
            "voltage, V",
            reference.v_rms_v,
            before.channels[phase].rms,
            after.map(|a| a.channels[phase].rms),
        ),
        (
            "current, A",
            reference.i_rms_a,
            before.channels[phase + 3].rms,
            after.map(|a| a.channels[phase + 3].rms),
        ),
        (
            "angle, degrees",
            reference.phi_deg,
            before.phi_deg[phase],
            after.map(|a| a.phi_deg[phase]),
        ),
    ];
    for (name, wanted, was, now) in rows {
        let cell = |x: Option<f64>| x.map_or("-".to_owned(), |x| format!("{x:.3}"));
        let now = now.map_or(String::new(), |x| format!("{x:.3}"));
        out +=
            format!("  {name:<16}{:>12}{:>12}{now:>12}\n", cell(wanted), cell(Some(was))).as_str();
    }
    out += if after.is_some() {
        "Settings, written to the node\n"
    } else {
        "Settings, as they should become\n"
    };
    for (name, s) in [("gain of voltage", step.v_gain), ("gain of current", step.i_gain)] {
        if let Some(s) = s {
            let pct = 100.0 * (s.new / s.old - 1.0);
            out += &format!("  {name:<18}{:>14.6e} from {:.6e} ({pct:+.3} %)\n", s.new, s.old);
        }
    }
    if let Some(s) = step.i_delay_ns {
        out += &format!("  {:<18}{:>11} ns from {} ns\n", "delay of current", s.new, s.old);
    }
    if after.is_none() {
        out += "Nothing was changed: --write stores it. Note date, reference, load, temperature.\n";
    }
    out
}

fn zero(args: &Args, client: &mut AnyClient, settings: &Settings) -> anyhow::Result<Outcome> {
    let frames = captures(client, CAPTURES)?;
    let means = offsets(settings.power.wiring, &frames)?;
    let mut wanted = settings.clone();
    for (channel, mean) in wanted.power.calibration.channels.iter_mut().zip(means) {
        channel.offset_counts = mean.unwrap_or(channel.offset_counts);
    }
    wanted.power.calibration.check()?;
    if args.write {
        store(client, &wanted)?;
    }
    let names = ["v1", "v2", "v3", "i1", "i2", "i3"];
    let old = settings.power.calibration.channels.map(|c| c.offset_counts);
    let used = || names.iter().zip(old).zip(means).filter_map(|((n, o), m)| Some((*n, o, m?)));
    let text = if args.json {
        let all: serde_json::Map<String, Value> =
            used().map(|(n, o, m)| (n.to_owned(), json!({ "old": o, "new": m }))).collect();
        format!("{:#}\n", json!({ "offset_counts": all, "written": args.write }))
    } else {
        let mut out = String::from("Offsets, in counts\n");
        for (name, old, new) in used() {
            out += &format!("  {name:<6}{:>10} from {old}\n", new);
        }
        out += if args.write {
            "Written to the node.\n"
        } else {
            "Nothing was changed: --write stores it.\n"
        };
        out
    };
    print(&text)?;
    Ok(Outcome::Done)
}
