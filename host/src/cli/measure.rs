//! `wattless measure`: arguments and printing.

use super::{Outcome, print};
use anyhow::{Context, anyhow, bail};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use wattless::analyse::measure::{
    MeasureError, MeasureOptions, MeasuredInterval, Measurement, measure, write_records,
};
use wattless::collect::store::NodeId;
use wattless::collect::waveform::{FactorFor, Format, Lead, OpenOptions, Taken, Waveform, open};
use wattless_core::flags::Flags;
use wattless_core::power::Dc;
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// Readings from a file of sampled waveforms (CSV or COMTRADE)
///
/// A CSV file has a header with t_s and columns from v1_v, v2_v, v3_v, i1_a, i2_a,
/// i3_a, or line voltages v12_v, v23_v, v31_v, v32_v. A COMTRADE recording (IEEE
/// C37.111) is given by its .cfg, .dat or .cff file.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The file of waveforms
    file: PathBuf,
    /// How leads make phases: single-phase, split-phase, four-wire, three-wire,
    /// three-wire-line, two-sensor, two-sensor-line [default: from the leads]
    #[arg(long, value_name = "NAME", value_parser = parse_wiring)]
    wiring: Option<Wiring>,
    /// Nominal frequency, 50 or 60 [default: the nearest to the one found]
    #[arg(long, value_name = "HZ", value_parser = parse_nominal)]
    nominal_hz: Option<Nominal>,
    /// Readings over intervals of this length [default: the whole file]
    #[arg(long, value_name = "SECONDS")]
    interval: Option<f64>,
    /// Whether DC is part of RMS and power: keep or remove [default: keep]
    #[arg(long, value_name = "WHAT", value_parser = parse_dc)]
    dc: Option<Dc>,
    /// Channel of a COMTRADE recording for a lead, such as v1=NAME or v1=#3; repeatable
    #[arg(long = "channel", value_name = "LEAD=NAME", value_parser = parse_channel)]
    channels: Vec<(Lead, String)>,
    /// Circuit component of a COMTRADE recording to take channels from
    #[arg(long, value_name = "NAME")]
    component: Option<String>,
    /// Section of constant sample rate of a COMTRADE recording, from 1
    #[arg(long, value_name = "N")]
    section: Option<usize>,
    /// Multiplies samples, such as i=200 for a 1 V = 200 A sensor, i2=-1 or v=10; repeatable
    #[arg(long = "factor", value_name = "LEAD=NUMBER", value_parser = parse_factor)]
    factors: Vec<(FactorFor, f64)>,
    /// From a count file, write the records that a node would keep into this file
    #[arg(long, value_name = "FILE", conflicts_with_all = ["interval", "nominal_hz", "wiring", "dc"])]
    records: Option<PathBuf>,
    /// Number of the node whose records those are, hexadecimal: their chain begins with it
    #[arg(long, value_name = "ID", default_value = "0", requires = "records")]
    node_id: NodeId,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

pub(super) fn parse_wiring(text: &str) -> Result<Wiring, String> {
    let names = Wiring::ALL.map(Wiring::name).join(", ");
    Wiring::from_name(text).ok_or_else(|| format!("known wirings are {names}"))
}

pub(super) fn parse_nominal(text: &str) -> Result<Nominal, String> {
    match text {
        "50" => Ok(Nominal::Hz50),
        "60" => Ok(Nominal::Hz60),
        _ => Err("the nominal frequency is 50 or 60".into()),
    }
}

pub(super) fn parse_dc(text: &str) -> Result<Dc, String> {
    match text {
        "keep" => Ok(Dc::Keep),
        "remove" => Ok(Dc::Remove),
        _ => Err("keep or remove".into()),
    }
}

pub(super) fn parse_channel(text: &str) -> Result<(Lead, String), String> {
    let (lead, name) = text.split_once('=').ok_or("write LEAD=NAME, such as v1=VA")?;
    let lead = Lead::from_name(lead.trim()).ok_or_else(|| {
        format!("'{lead}' is no lead; leads are {}", Lead::ALL.map(Lead::name).join(", "))
    })?;
    Ok((lead, name.trim().to_owned()))
}

pub(super) fn parse_factor(text: &str) -> Result<(FactorFor, f64), String> {
    let (on, number) = text.split_once('=').ok_or("write LEAD=NUMBER, such as i=200")?;
    let on = FactorFor::from_name(on.trim()).ok_or_else(|| {
        format!("'{on}' is neither v, i nor one of {}", Lead::ALL.map(Lead::name).join(", "))
    })?;
    let x: f64 = number.trim().parse().map_err(|_| format!("'{number}' is not a number"))?;
    let usable = x.is_finite() && (1e-9..=1e9).contains(&x.abs());
    if usable { Ok((on, x)) } else { Err("a factor is a number of magnitude 1e-9 to 1e9".into()) }
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let options = OpenOptions {
        wiring: args.wiring,
        channels: args.channels.clone(),
        component: args.component.clone(),
        section: args.section,
        factors: args.factors.clone(),
        dc: args.dc,
    };
    let mut file = open(&args.file, &options)?;
    if let Some(path) = &args.records {
        return records(args, &mut file, path);
    }
    let measured = measure(
        &mut file,
        &MeasureOptions { nominal: args.nominal_hz, interval_s: args.interval },
    )?;
    let text = if args.json {
        format!("{:#}\n", to_json(&file, &measured))
    } else {
        to_text(&file, &measured)
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

fn to_json(file: &Waveform, m: &Measurement) -> Value {
    let taken = |t: &Taken| json!({"lead": t.lead.name(), "name": t.name, "factor": t.factor});
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
        "readings": m.intervals.iter().map(|r| reading_json(m.wiring, r)).collect::<Vec<_>>(),
    })
}

fn reading_json(wiring: Wiring, r: &MeasuredInterval) -> Value {
    let s = &r.summary;
    // Without a fundamental there is no reactive power of it.
    let of_fundamental = |x: f64| s.frequency_hz.map(|_| x);
    let phase = |k: usize| {
        let p = &s.phases[k];
        let (v_dc_v, i_dc_a) = r.phase_dc(wiring, k);
        json!({
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
        })
    };
    let lines = wiring.line_pairs().len();
    json!({
        "start_s": r.start_s,
        "duration_s": s.duration_s,
        "windows": s.windows,
        "frequency_hz": s.frequency_hz,
        "flags": s.flags.names().collect::<Vec<_>>(),
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
    })
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

fn to_text(file: &Waveform, m: &Measurement) -> String {
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
    for r in &m.intervals {
        reading_text(&mut t, m.wiring, r);
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
        // DC is told once, above.
        if !matches!(*name, "v_dc_removed" | "i_dc_removed") {
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
