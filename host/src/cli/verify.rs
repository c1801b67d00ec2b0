//! `wattless verify`: arguments and printing.

use super::source::{self, Range, local_time, range};
use super::{Outcome, print};
use anyhow::bail;
use jiff::civil::DateTime;
use std::path::{Path, PathBuf};
use wattless::analyse::bill::past::PastBills;
use wattless::analyse::series::LoadSeries;
use wattless::analyse::tariff::Tariff;
use wattless::analyse::verify::money::{Promised, Saved, saved};
use wattless::analyse::verify::unit::{Connection, Control, Unit};
use wattless::analyse::verify::{self, Terms, Transformer};
use wattless::collect::log::IntervalLog;
use wattless::collect::store::{NodeInfo, Span, Store};
use wattless::present::text::Style;
use wattless::present::verify::{verify_json, verify_text};
use wattless::site::Site;
use wattless_core::wiring::Wiring;

/// Before and after: did the correction work, phase by phase
///
/// Compares kvar at the same load and voltage before and after the work with what was installed:
/// worked (exit code 0), in part or not (1), or cannot be told (2), with the reason. The units
/// come from the site file ([[installed]]) or from --unit. Times are local to the site.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder of the store that `wattless pull` fills
    store: PathBuf,
    /// Store of the range after, where it is another one
    #[arg(long, value_name = "STORE")]
    after_store: Option<PathBuf>,
    /// Node or feeder, where the store holds several
    #[arg(long, value_name = "NODE")]
    node: Option<String>,
    /// Node or feeder of the range after, where it is another one
    #[arg(long, value_name = "NODE")]
    after_node: Option<String>,
    /// Site file (TOML)
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// The range before, e.g. 2026-03-02..2026-03-09; the end is not part of it
    #[arg(long, value_name = "FROM..TO", value_parser = range)]
    before: Option<Range>,
    /// The range after
    #[arg(long, value_name = "FROM..TO", value_parser = range)]
    after: Option<Range>,
    /// When the work was done, in place of --before and --after: all records on either side
    #[arg(long, value_name = "TIME", conflicts_with_all = ["before", "after"], value_parser = local_time)]
    installed_on: Option<DateTime>,
    /// An installed unit, in place of the site file's: kvar@V, then :delta, :star, :floating-star
    /// or a single element such as :l1-l2; may be given several times
    #[arg(long, value_name = "KVAR@V[:CONNECTION]", value_parser = unit)]
    unit: Vec<(f64, f64, Connection)>,
    /// Uncertainty that is good enough, in percent of what was installed
    #[arg(long, value_name = "PCT", default_value_t = 20.0)]
    within_pct: f64,
    /// Confidence of the uncertainties, in percent
    #[arg(long, value_name = "PCT", default_value_t = 95.0)]
    confidence_pct: f64,
    /// Transformer upstream, kVA and percent reactance: 630:4.4
    #[arg(long, value_name = "KVA:X", value_parser = transformer)]
    transformer: Option<(f64, f64)>,
    /// Tariff file (TOML): what the drop saves
    #[arg(long, value_name = "FILE")]
    tariff: Option<PathBuf>,
    /// Past bills of the months before, for ratchets (CSV, as for `bill`)
    #[arg(long, value_name = "FILE", requires = "tariff")]
    history: Option<PathBuf>,
    /// What was promised: the file that `wattless size --json` wrote
    #[arg(long, value_name = "FILE", requires = "tariff")]
    sizing: Option<PathBuf>,
    /// The candidate of that file that was installed; else the recommended one
    #[arg(long, value_name = "ID", requires = "sizing")]
    candidate: Option<String>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn unit(text: &str) -> Result<(f64, f64, Connection), String> {
    let wrong = || "give kvar and volts, e.g. 50@440:delta".to_owned();
    let (kvar, rest) = text.split_once('@').ok_or_else(wrong)?;
    let (volts, connection) = rest.split_once(':').unwrap_or((rest, "delta"));
    let number = |t: &str| {
        t.trim().parse::<f64>().ok().filter(|x| *x > 0.0 && x.is_finite()).ok_or_else(wrong)
    };
    let connection = Connection::from_name(connection).ok_or_else(|| {
        let names = Connection::ALL.map(|(_, n)| n).join(", ");
        format!("connection {connection:?} is not known; use one of {names}")
    })?;
    Ok((number(kvar)?, number(volts)?, connection))
}

fn transformer(text: &str) -> Result<(f64, f64), String> {
    let wrong = || "give kVA and percent reactance, e.g. 630:4.4".to_owned();
    let (kva, x) = text.split_once(':').ok_or_else(wrong)?;
    match (kva.parse::<f64>(), x.parse::<f64>()) {
        (Ok(kva), Ok(x)) if kva > 0.0 && x > 0.0 && x < 100.0 => Ok((kva, x)),
        _ => Err(wrong()),
    }
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut site = source::site(args.site.as_deref())?;
    let percent = |name: &str, x: f64, least: f64, most: f64| {
        if (least..=most).contains(&x) {
            Ok(x / 100.0)
        } else {
            bail!("{name} = {x} cannot be; give {least} to {most}")
        }
    };
    let wished_share = percent("--within-pct", args.within_pct, 1.0, 100.0)?;
    let confidence = percent("--confidence-pct", args.confidence_pct, 50.0, 99.9)?;
    let (before, after) = ranges(args, &site)?;
    let (before_span, after_span) = (before.span(&site.time_zone)?, after.span(&site.time_zone)?);
    check_spans(before_span, after_span)?;

    let store = Store::open(&args.store)?;
    let node = source::node(&store, args.node.as_deref(), &mut site)?;
    let other = args.after_store.as_deref().map(Store::open).transpose()?;
    let after_store = other.as_ref().unwrap_or(&store);
    let after_path = args.after_store.as_deref().unwrap_or(&args.store);
    let same_node = args.after_store.is_none() && args.after_node.is_none();
    let after_node = if same_node {
        node.clone()
    } else {
        after_store.choose(args.after_node.as_deref().or(args.node.as_deref()))?
    };
    let before_log = read(&store, &args.store, &node, before_span, "before")?;
    let after_log = read(after_store, after_path, &after_node, after_span, "after")?;
    check_wiring((&store, &node, &before_log), (after_store, &after_node, &after_log))?;

    let mut terms = Terms::new(units(args, &site));
    terms.wished_share = wished_share;
    terms.confidence = confidence;
    terms.transformer =
        args.transformer.map(|(kva, x_pct)| Transformer { rated_va: kva * 1e3, x_pct });
    let v = verify::verify(&before_log, &after_log, &site, &terms)?;
    for (s, n) in [(&store, &node), (after_store, &after_node)] {
        let unplaced = s.extent(n.id)?.unplaced;
        if unplaced > 0 {
            eprintln!(
                "wattless: {unplaced} records of node {} have no place in time yet and are in \
                 neither range; pull once more",
                n.id
            );
        }
        if same_node {
            break;
        }
    }
    let money = money(args, &v, &after_log, &site)?;
    print(&if args.json {
        format!("{:#}\n", verify_json(&v, money.as_ref()))
    } else {
        verify_text(&v, money.as_ref(), Style::for_stdout())
    })?;
    match v.verdict.outcome {
        verify::Outcome::Worked => Ok(Outcome::Done),
        verify::Outcome::Partly | verify::Outcome::Not => Ok(Outcome::No),
        verify::Outcome::CannotTell => Ok(Outcome::Undecided),
    }
}

/// What the drop saves, where there is a tariff.
fn money(
    args: &Args,
    v: &verify::Verification,
    after: &IntervalLog,
    site: &Site,
) -> anyhow::Result<Option<Saved>> {
    let Some(path) = &args.tariff else { return Ok(None) };
    let tariff = Tariff::load(path)?;
    let zone = tariff.time_zone.as_ref().map_or(&site.time_zone, |z| &z.1);
    let history = match &args.history {
        Some(path) => PastBills::load(path, &tariff, zone)?.quantities(),
        None => Vec::new(),
    };
    let promised = match &args.sizing {
        Some(file) => Some(Promised::load(file, args.candidate.as_deref())?),
        None => None,
    };
    let series = LoadSeries::of_log(after, tariff.step_s(), tariff.demand.apparent)?;
    Ok(Some(saved(v, &series, &tariff, zone, &history, promised)?))
}

/// The two ranges: as given, or on either side of the work.
fn ranges(args: &Args, site: &Site) -> anyhow::Result<(Range, Range)> {
    let open = Range { from: None, to: None };
    if let Some(at) = args.installed_on {
        return Ok((Range { to: Some(at), ..open }, Range { from: Some(at), ..open }));
    }
    if let (Some(b), Some(a)) = (args.before, args.after) {
        return Ok((b, a));
    }
    if args.after_store.is_some() {
        return Ok((args.before.unwrap_or(open), args.after.unwrap_or(open)));
    }
    let since: Vec<DateTime> = site.installed.iter().filter_map(|i| i.since).collect();
    let (first, last) = (since.iter().min(), since.iter().max());
    match (args.before, args.after, first, last) {
        (None, None, Some(first), Some(last)) => {
            Ok((Range { to: Some(*first), ..open }, Range { from: Some(*last), ..open }))
        }
        (Some(b), None, _, Some(last)) => Ok((b, Range { from: Some(*last), ..open })),
        (None, Some(a), Some(first), _) => Ok((Range { to: Some(*first), ..open }, a)),
        _ => bail!(
            "which times are to be compared is not known; give --before and --after, or \
             --installed-on, or `since` to the [[installed]] units of the site file"
        ),
    }
}

fn check_spans(before: Span, after: Span) -> anyhow::Result<()> {
    if after.from_ms < before.from_ms || (after.to_ms <= before.from_ms) {
        bail!("the range after begins ahead of the range before; swap --before and --after");
    }
    if before.to_ms > after.from_ms
        && before.to_ms != Span::ALL.to_ms
        && after.from_ms != Span::ALL.from_ms
    {
        bail!(
            "the ranges overlap; end --before when the work began, and begin --after when it was \
             done"
        );
    }
    Ok(())
}

fn read(
    store: &Store,
    path: &Path,
    node: &NodeInfo,
    span: Span,
    range: &str,
) -> anyhow::Result<IntervalLog> {
    let log = store.read_log(node.id, span)?;
    if !log.is_empty() {
        return Ok(log);
    }
    let extent = store.extent(node.id)?;
    let zoned = |ms: Option<i64>| {
        ms.and_then(|m| jiff::Timestamp::from_millisecond(m).ok())
            .map_or("–".to_owned(), |t| t.to_string())
    };
    bail!(
        "{}, node {}: the range {range} holds no record. The store has records that end from {} \
         to {}{}; correct --{range}",
        path.display(),
        node.id,
        zoned(extent.first_end_ms),
        zoned(extent.last_end_ms),
        if extent.unplaced > 0 {
            format!(", and {} without a place in time (pull once more)", extent.unplaced)
        } else {
            String::new()
        }
    )
}

type Side<'a> = (&'a Store, &'a NodeInfo, &'a IntervalLog);

/// Refuses ranges whose records were wired differently.
fn check_wiring(before: Side<'_>, after: Side<'_>) -> anyhow::Result<()> {
    let ends = |(store, node, log): Side<'_>| -> anyhow::Result<Vec<(Wiring, i64)>> {
        let (Some(first), Some(last)) = (log.seq.first(), log.seq.last()) else {
            return Ok(Vec::new());
        };
        let mut found = Vec::new();
        for seq in [*first, *last] {
            for r in store.read_records(node.id, seq..=seq)? {
                let r = r?;
                found.push((r.record.wiring, r.end_ms.unwrap_or_default()));
            }
        }
        Ok(found)
    };
    let mut all = ends(before)?;
    all.extend(ends(after)?);
    for pair in all.windows(2) {
        if let [(a, _), (b, at)] = pair
            && a != b
        {
            let when =
                jiff::Timestamp::from_millisecond(*at).map(|t| t.to_string()).unwrap_or_default();
            bail!(
                "the records were wired {} first and {} at {when}: these cannot be compared; \
                 choose ranges of one wiring, or log anew",
                a.name(),
                b.name()
            );
        }
    }
    Ok(())
}

/// Units of the command line, else of the site file.
fn units(args: &Args, site: &Site) -> Vec<Unit> {
    if args.unit.is_empty() {
        return site.installed.iter().map(|i| i.unit.clone()).collect();
    }
    let make = |(k, (kvar, volts, connection)): (usize, &(f64, f64, Connection))| Unit {
        name: format!("Unit {}", k + 1),
        rated_var: kvar * 1e3,
        rated_v: *volts,
        rated_hz: site.supply.frequency_hz.unwrap_or(50.0),
        connection: *connection,
        control: Control::Fixed,
    };
    args.unit.iter().enumerate().map(make).collect()
}
