//! `wattless measure`: arguments and printing.

use super::wave_file::WaveArgs;
use super::{Outcome, print};
use anyhow::{Context, anyhow, bail};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use wattless::analyse::measure::{
    MeasureError, MeasureOptions, MeasuredInterval, Measurement, measure, write_records,
};
use wattless::analyse::uncertainty::Budget;
use wattless::collect::store::NodeId;
use wattless::collect::waveform::{Format, Taken, Waveform};
use wattless::present::{measured, worth};
use wattless::site::Site;
use wattless_core::flags::Flags;
use wattless_core::power::Dc;
use wattless_core::wiring::Wiring;

/// Readings from a file of sampled waveforms (CSV or COMTRADE)
///
/// A CSV file has a header with t_s and columns from v1_v, v2_v, v3_v, i1_a, i2_a,
/// i3_a, in_a (a sensor on the neutral), or line voltages v12_v, v23_v, v31_v, v32_v. A COMTRADE recording (IEEE
/// C37.111) is given by its .cfg, .dat or .cff file.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The file of waveforms
    file: PathBuf,
    #[command(flatten)]
    wave: WaveArgs,
    /// Readings over intervals of this length [default: the whole file]
    #[arg(long, value_name = "SECONDS")]
    interval: Option<f64>,
    /// From a count file, write the records that a node would keep into this file
    #[arg(long, value_name = "FILE", conflicts_with_all = ["interval", "nominal_hz", "wiring", "dc",
          "rogowski", "sensors"])]
    records: Option<PathBuf>,
    /// Leave out harmonics
    #[arg(long)]
    no_harmonics: bool,
    /// Maximum demand current in A: gives total demand distortion (IEEE 519)
    #[arg(long, value_name = "AMPERES", value_parser = parse_demand_current)]
    demand_current: Option<f64>,
    /// Readings with expanded uncertainty (k = 2), from the site's [uncertainty]
    #[arg(long, conflicts_with = "records")]
    uncertainty: bool,
    /// Site file (TOML) that says how good the sensors are
    #[arg(long, value_name = "FILE", requires = "uncertainty")]
    site: Option<PathBuf>,
    /// Number of the node whose records those are, hexadecimal: their chain begins with it
    #[arg(long, value_name = "ID", default_value = "0", requires = "records")]
    node_id: NodeId,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn parse_demand_current(text: &str) -> Result<f64, String> {
    let amperes: f64 = text.parse().map_err(|_| format!("'{text}' is not a number"))?;
    let usable = (1e-3..=1e6).contains(&amperes);
    if usable { Ok(amperes) } else { Err("a demand current is 0.001 to 1000000 A".into()) }
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut file = args.wave.open(&args.file)?;
    let site = args.site.as_deref().map(Site::load).transpose()?.unwrap_or_default();
    let budget = args.uncertainty.then(|| Budget::of(&site));
    if let Some(path) = &args.records {
        return records(args, &mut file, path);
    }
    let measured = measure(
        &mut file,
        &MeasureOptions {
            nominal: args.wave.nominal_hz,
            interval_s: args.interval,
            without_harmonics: args.no_harmonics,
        },
    )?;
    let text = if args.json {
        let mut object = to_json(&file, &measured, args.demand_current);
        if let Some(budget) = &budget {
            let readings = object["readings"].as_array_mut().into_iter().flatten();
            for (r, reading) in measured.intervals.iter().zip(readings) {
                worth::add_to_reading(budget, measured.wiring, &r.summary, reading);
            }
            object["uncertainty"] = worth::basis_json(budget);
        }
        format!("{object:#}\n")
    } else {
        to_text(&file, &measured, args.demand_current, budget.as_ref())
    };
    print(&text)?;
    Ok(Outcome::Done)
}

/// Prints to standard output; a reader that has seen enough is no error.
fn records(args: &Args, file: &mut Waveform, path: &Path) -> anyhow::Result<Outcome> {
    if file.settings.is_none() {
        bail!(MeasureError::NoSettings(file.path.clone()));
    }
    // Written beside the target and renamed: a file by that name is always whole.
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    let mut out = tempfile::NamedTempFile::new_in(folder)
        .with_context(|| format!("{} cannot be written", path.display()))?;
    let done = write_records(file, args.node_id.0, out.as_file_mut(), path)?;
    out.persist(path).map_err(|e| anyhow!("{} cannot be written: {}", path.display(), e.error))?;
    if args.json {
        let object = json!({
            "file": args.file.display().to_string(),
            "records_file": path.display().to_string(),
            "records": done.records,
            "interval_s": done.interval_s,
            "last_record_s": done.last_s,
            "frames": done.frames,
            "frames_left": done.frames_left,
        });
        print(&format!("{object:#}\n"))?;
    } else {
        print(&format!(
            "{} records of {} s written to {}; the last one covers {:.3} s\n",
            done.records,
            done.interval_s,
            path.display(),
            done.last_s
        ))?;
    }
    Ok(Outcome::Done)
}

fn dc_word(dc: Dc) -> &'static str {
    match dc {
        Dc::Keep => "kept",
        Dc::Remove => "removed",
    }
}

fn to_json(file: &Waveform, m: &Measurement, demand_current_a: Option<f64>) -> Value {
    let taken = |t: &Taken| {
        let clipped_at = file.clipped_at[t.lead.slot()];
        let key = if t.lead.is_voltage() { "clipped_at_v" } else { "clipped_at_a" };
        json!({"lead": t.lead.name(), "name": t.name, "factor": t.factor, key: clipped_at})
    };
    json!({
        "file": file.path.display().to_string(),
        "format": file.format.name(),
        "wiring": m.wiring.name(),
        "nominal_hz": m.nominal.hz() as u32,
        "sample_rate_hz": m.sample_rate_hz,
        "first_sample_s": file.first_sample_s,
        "frames": m.frames,
        "frames_left": m.frames_left,
        "v_dc": dc_word(m.dc.0),
        "i_dc": dc_word(m.dc.1),
        "channels": file.taken.iter().map(taken).collect::<Vec<_>>(),
        "demand_current_a": demand_current_a,
        "alternates_hz": m.alternates_hz,
        "readings": m.intervals.iter()
            .map(|r| reading_json(m.wiring, r, demand_current_a))
            .collect::<Vec<_>>(),
    })
}

fn reading_json(wiring: Wiring, r: &MeasuredInterval, demand_current_a: Option<f64>) -> Value {
    let s = &r.summary;
    // Without a fundamental there is no reactive power of it.
    let of_fundamental = |x: f64| s.frequency_hz.map(|_| x);
    let phase = |k: usize| {
        let p = &s.phases[k];
        let (v_dc_v, i_dc_a) = r.phase_dc(wiring, k);
        let mut object = json!({
            "v_rms_v": p.v_rms_v,
            "i_rms_a": p.i_rms_a,
            "p_w": p.p_w,
            "q1_var": of_fundamental(p.q1_var),
            "s_va": p.s_va,
            "n_var": p.n_var(),
            "pf": p.pf(),
            "dpf": p.dpf(),
            "phi1_deg": p.phi1_deg(),
            "v_dc_v": v_dc_v,
            "i_dc_a": i_dc_a,
        });
        if let Some(into) = object.as_object_mut() {
            measured::phase_json(r, k, demand_current_a, into);
        }
        object
    };
    let lines = wiring.line_pairs().len();
    let mut object = json!({
        "start_s": r.start_s,
        "duration_s": s.duration_s,
        "windows": s.windows,
        "frequency_hz": s.frequency_hz,
        "flags": s.flags.names().collect::<Vec<_>>(),
        "thd_highest_order": s.distortion.map(|d| d.highest),
        "phases": (0..wiring.phases()).map(phase).collect::<Vec<_>>(),
        "total": {
            "p_w": s.total.p_w,
            "q1_var": of_fundamental(s.total.q1_var),
            "s_arithmetic_va": s.total.s_arithmetic_va,
            "s_vector_va": of_fundamental(s.total.s_vector_va()),
            "s_effective_va": s.total.s_effective_va,
            "pf_arithmetic": s.total.pf_arithmetic(),
            "pf_vector": s.total.pf_vector(),
            "pf_effective": s.total.pf_effective(),
        },
        "v_line_v": s.v_line_v[..lines],
        "i_neutral_a": wiring.neutral_current().map(|_| s.i_neutral_a),
        "neutral": measured::neutral_json(r, wiring),
        "sequence": measured::sequence_json(s, wiring),
    });
    if let Some(into) = object["total"].as_object_mut() {
        measured::total_json(s, wiring, into);
    }
    object
}

/// A power of a thousand and decimals for a column, from its largest magnitude.
struct Scale {
    prefix: &'static str,
    divisor: f64,
    decimals: usize,
}

impl Scale {
    /// Five digits for the largest value.
    fn of(values: impl Iterator<Item = f64>) -> Scale {
        let largest = values.map(f64::abs).fold(0.0, f64::max);
        let (prefix, divisor) = match largest {
            x if x >= 1e6 => ("M", 1e6),
            x if x >= 1e3 => ("k", 1e3),
            x if x >= 1.0 || x == 0.0 => ("", 1.0),
            _ => ("m", 1e-3),
        };
        let decimals = match largest / divisor {
            x if x >= 100.0 => 2,
            x if x >= 10.0 => 3,
            _ => 4,
        };
        Scale { prefix, divisor, decimals }
    }

    fn show(&self, x: f64) -> String {
        without_zero_sign(format!("{:.*}", self.decimals, x / self.divisor))
    }
}

fn factor_text(pf: Option<f64>) -> String {
    pf.map_or_else(|| "-".into(), |x| without_zero_sign(format!("{x:.3}")))
}

/// A rounded zero has no sign.
fn without_zero_sign(text: String) -> String {
    let zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    if zero { text.trim_start_matches('-').to_owned() } else { text }
}

/// Lagging or leading from the sign of Q1; a dash without load.
fn side(q1_var: f64, s_va: f64, loaded: bool) -> &'static str {
    match q1_var {
        _ if !loaded => "-",
        q if q > 1e-4 * s_va => "lag",
        q if q < -1e-4 * s_va => "lead",
        _ => "",
    }
}

fn to_text(
    file: &Waveform,
    m: &Measurement,
    demand_current_a: Option<f64>,
    budget: Option<&Budget>,
) -> String {
    let mut t = String::new();
    let length_s = m.frames as f64 / m.sample_rate_hz;
    let _ = writeln!(t, "{}", file.path.display());
    let _ = writeln!(
        t,
        "{}, {} samples per second, {:.3} s, nominal {} Hz",
        m.wiring.name(),
        m.sample_rate_hz,
        length_s,
        m.nominal.hz()
    );
    let dc = match m.dc {
        (Dc::Keep, Dc::Keep) => "DC is part of RMS and W".to_owned(),
        (Dc::Remove, Dc::Remove) => "DC is taken out of RMS and W".to_owned(),
        (v, i) => format!("DC is {} in V, {} in A", dc_word(v), dc_word(i)),
    };
    let _ = writeln!(t, "{dc}; var: fundamental (Q1); VA of total: sum of phases");
    if file.format == Format::Comtrade {
        let taken: Vec<String> =
            file.taken.iter().map(|t| format!("{} {}", t.lead.name(), t.name)).collect();
        let _ = writeln!(t, "channels: {}", taken.join(", "));
    }
    if let Some(hz) = m.alternates_hz {
        let _ = writeln!(
            t,
            "no fundamental: the voltages alternate {hz:.1} times a second, and only supplies\n\
             of 40 to 72 Hz can be followed; RMS values and W are over windows of 200 ms"
        );
    }
    for lead in file.taken.iter().map(|t| t.lead) {
        if let Some(level) = file.clipped_at[lead.slot()] {
            let unit = if lead.is_voltage() { "V" } else { "A" };
            let _ = writeln!(
                t,
                "{} is flat at {level:.2} {unit}, time and again: it was clipped before it came here",
                lead.name()
            );
        }
    }
    for r in &m.intervals {
        reading_text(&mut t, m.wiring, r);
        if let Some(budget) = budget {
            t += &worth::reading_text(budget, m.wiring, &r.summary);
        }
        measured::text(&mut t, r, m.wiring, demand_current_a, m.intervals.len() == 1);
    }
    if m.frames_left > 0 {
        let left_s = m.frames_left as f64 / m.sample_rate_hz;
        let _ =
            writeln!(t, "\n{} samples ({left_s:.3} s) at the end fill no window", m.frames_left);
    }
    t
}

/// A row of the table, 76 columns wide at most.
fn row(t: &mut String, cells: [String; 9]) {
    let [name, v, a, w, var, va, pf, dpf, side] = cells;
    let line = format!("  {name:<6}{v:>9}{a:>9}{w:>10}{var:>10}{va:>10}{pf:>8}{dpf:>8}{side:>6}");
    let _ = writeln!(t, "{}", line.trim_end());
}

fn reading_text(t: &mut String, wiring: Wiring, r: &MeasuredInterval) {
    let s = &r.summary;
    let phases = &s.phases[..wiring.phases()];
    let of_fundamental =
        |text: String| if s.frequency_hz.is_some() { text } else { "-".to_owned() };
    let frequency = s.frequency_hz.map_or_else(|| "- Hz".into(), |f| format!("{f:.3} Hz"));
    let _ = writeln!(
        t,
        "\n{:.3} s to {:.3} s: {frequency}, {} windows",
        r.start_s,
        r.start_s + s.duration_s,
        s.windows
    );
    for (_, name, meaning) in Flags::ALL.iter().filter(|f| s.flags.contains(f.0)) {
        // These are told elsewhere.
        if !matches!(*name, "v_dc_removed" | "i_dc_removed" | "neutral_measured") {
            let _ = writeln!(t, "  note: {meaning}");
        }
    }
    let v = Scale::of(phases.iter().map(|p| p.v_rms_v));
    let a = Scale::of(phases.iter().map(|p| p.i_rms_a));
    // One scale for the three powers, so that their sizes compare at a glance.
    let power = Scale::of(std::iter::once(s.total.s_arithmetic_va));
    let unit = |scale: &Scale, unit: &str| format!("{}{unit}", scale.prefix);
    row(
        t,
        [
            "phase".into(),
            unit(&v, "V"),
            unit(&a, "A"),
            unit(&power, "W"),
            unit(&power, "var"),
            unit(&power, "VA"),
            "PF".into(),
            "DPF".into(),
            String::new(),
        ],
    );
    for (k, p) in phases.iter().enumerate() {
        row(
            t,
            [
                format!("L{}", k + 1),
                v.show(p.v_rms_v),
                a.show(p.i_rms_a),
                power.show(p.p_w),
                of_fundamental(power.show(p.q1_var)),
                power.show(p.s_va),
                factor_text(p.pf()),
                factor_text(p.dpf()),
                side(p.q1_var, p.s_va, p.loaded).into(),
            ],
        );
    }
    if phases.len() < 2 {
        return;
    }
    let total = &s.total;
    row(
        t,
        [
            "total".into(),
            String::new(),
            String::new(),
            power.show(total.p_w),
            of_fundamental(power.show(total.q1_var)),
            power.show(total.s_arithmetic_va),
            factor_text(total.pf_arithmetic()),
            String::new(),
            side(total.q1_var, total.s_arithmetic_va, total.loaded).into(),
        ],
    );
    let effective = total.s_effective_va.map_or_else(
        || "not defined for this wiring".into(),
        |x| {
            let pf = factor_text(total.pf_effective());
            format!("{} {}VA, PF {pf}", power.show(x), power.prefix)
        },
    );
    let _ = writeln!(
        t,
        "  vector {} {}VA, PF {}; effective {effective}",
        of_fundamental(power.show(total.s_vector_va())),
        power.prefix,
        factor_text(total.pf_vector())
    );
}
