//! What verbs on a store have in common: the site file, the node that is meant, a stretch of time.

use anyhow::{Context, bail};
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use std::path::Path;
use wattless::collect::store::{NodeInfo, Span, Store};
use wattless::site::Site;

/// The site of a file, or the defaults.
pub(super) fn site(path: Option<&Path>) -> anyhow::Result<Site> {
    Ok(path.map(Site::load).transpose()?.unwrap_or_default())
}

/// The node that is meant; it names the feeder where the site file does not.
pub(super) fn node(
    store: &Store,
    asked: Option<&str>,
    site: &mut Site,
) -> anyhow::Result<NodeInfo> {
    let node = store.choose(asked)?;
    if site.feeder.is_none() && !node.feeder.is_empty() {
        site.feeder = Some(node.feeder.clone());
    }
    Ok(node)
}

/// How many records of a node have no place in time yet; says so where there are any.
pub(super) fn unplaced(store: &Store, node: &NodeInfo) -> anyhow::Result<u64> {
    let unplaced = store.extent(node.id)?.unplaced;
    if unplaced > 0 {
        eprintln!(
            "wattless: {unplaced} records of the store have no place in time yet and are left \
             out; pull once more"
        );
    }
    Ok(unplaced)
}

/// A local time or date of the command line.
pub(super) fn local_time(text: &str) -> Result<DateTime, String> {
    let whole: Result<DateTime, _> = text.parse();
    let day = || text.parse::<Date>().map(|d| d.to_datetime(Time::midnight()));
    whole.or_else(|_| day()).map_err(|_| "give a date or a time such as 2026-03-02T06:00".into())
}

/// A local time as Unix milliseconds.
pub(super) fn unix_ms(time: Option<DateTime>, zone: &TimeZone) -> anyhow::Result<Option<i64>> {
    time.map(|t| {
        let zoned = t.to_zoned_datetime(zone.clone());
        let zoned = zoned.with_context(|| format!("{t} is outside the calendar"))?;
        Ok(zoned.timestamp().as_millisecond())
    })
    .transpose()
}

/// Local times from (included) and to (not included); open where nothing is given.
#[derive(Clone, Copy, Debug)]
pub(super) struct Range {
    /// Beginning.
    pub from: Option<DateTime>,
    /// End.
    pub to: Option<DateTime>,
}

impl Range {
    /// The stretch of time in a zone.
    pub(super) fn span(&self, zone: &TimeZone) -> anyhow::Result<Span> {
        Ok(Span {
            from_ms: unix_ms(self.from, zone)?.unwrap_or(Span::ALL.from_ms),
            to_ms: unix_ms(self.to, zone)?.unwrap_or(Span::ALL.to_ms),
        })
    }
}

/// `FROM..TO`, either side may be left out.
pub(super) fn range(text: &str) -> Result<Range, String> {
    let (from, to) = text
        .split_once("..")
        .ok_or("give two dates or times with .. between, e.g. 2026-03-02..2026-03-09")?;
    let side = |t: &str| if t.is_empty() { Ok(None) } else { local_time(t).map(Some) };
    let range = Range { from: side(from)?, to: side(to)? };
    match (range.from, range.to) {
        (Some(a), Some(b)) if a >= b => Err(format!("{a} must lie before {b}")),
        _ => Ok(range),
    }
}

/// The stretch between --from and --to; all time without them.
pub(super) fn span(
    from: Option<DateTime>,
    to: Option<DateTime>,
    zone: &TimeZone,
) -> anyhow::Result<Span> {
    let span = Range { from, to }.span(zone)?;
    if span.from_ms >= span.to_ms {
        bail!("--from must lie before --to");
    }
    Ok(span)
}
