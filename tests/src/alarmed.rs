//! A made feeder with the alarms of a site over it.

use crate::made_records::Maker;
use wattless::site::Site;
use wattless::watch::alarm::{Alarm, Alarms, Change, Kind};

/// The feeder, its alarms and everything that they said.
pub struct Watched {
    /// The feeder.
    pub maker: Maker,
    /// The alarms.
    pub alarms: Alarms,
    /// Every change, in order.
    pub changes: Vec<Change>,
}

/// A site with 230 V to neutral and more lines of a site file. Without a word on it the target of
/// the power factor is so low that no load misses it.
pub fn site(more: &str) -> Site {
    let target = if more.contains("[power_factor]") { "" } else { "[power_factor]\ntarget = 0.3" };
    let line_v = 230.0 * libm::sqrt(3.0);
    let text = format!("{more}\n{target}\n[supply]\nline_voltage_v = {line_v}\n");
    match Site::parse(&text, "site.toml".as_ref()) {
        Ok(site) => site,
        Err(e) => panic!("{e}"),
    }
}

impl Watched {
    /// A feeder from a Monday on, with the alarms of [`site`].
    pub fn new(seconds: f64, more: &str) -> Watched {
        Watched::of(Maker::at("2026-06-01T00:00:00Z", seconds), &site(more))
    }

    /// A feeder with the alarms of a site.
    pub fn of(maker: Maker, site: &Site) -> Watched {
        let alarms = Alarms::new(site.watch.alarms.clone(), site);
        Watched { maker, alarms, changes: Vec::new() }
    }

    /// Runs for some time; `each` sets the feeder ahead of every record, told the seconds gone.
    /// Gives what changed.
    pub fn run(&mut self, seconds: f64, mut each: impl FnMut(&mut Maker, f64)) -> Vec<Change> {
        let from = self.changes.len();
        let records = (seconds / self.maker.seconds).round() as usize;
        let seconds = self.maker.seconds;
        for k in 0..records {
            each(&mut self.maker, k as f64 * seconds);
            self.step();
        }
        self.changes[from..].to_vec()
    }

    /// One record of the feeder as it is.
    pub fn step(&mut self) {
        let record = self.maker.record();
        self.changes.extend(self.alarms.take(&record, self.maker.now_ms));
    }

    /// Two days of a load by day and night, so that the usual peak is known.
    pub fn settle(&mut self, kw: f64, kvar: f64) -> &mut Watched {
        let changes = self.run(2.0 * 86_400.0, |m, t| {
            let works = (21_600.0..64_800.0).contains(&(t % 86_400.0));
            let share = if works { 1.0 } else { 0.02 };
            m.load(share * kw, share * kvar);
        });
        assert_eq!(changes, [], "the two days ahead of the check");
        // A working day's morning.
        self.maker.load(kw, kvar);
        self.run(6.5 * 3600.0, |m, t| {
            let share = if t < 6.0 * 3600.0 { 0.02 } else { 1.0 };
            m.load(share * kw, share * kvar);
        });
        self
    }

    /// What stands of a kind.
    pub fn standing(&self, kind: Kind) -> Vec<&Alarm> {
        self.alarms.standing().into_iter().filter(|a| a.kind == kind).collect()
    }
}

/// What was raised: kind and part.
pub fn raised(changes: &[Change]) -> Vec<(Kind, &str)> {
    let all = changes.iter().filter(|c| matches!(c, Change::Raised(_)));
    all.map(|c| (c.alarm().kind, c.alarm().part.as_str())).collect()
}

/// What was cleared.
pub fn cleared(changes: &[Change]) -> Vec<(Kind, &str)> {
    let all = changes.iter().filter(|c| matches!(c, Change::Cleared(_)));
    all.map(|c| (c.alarm().kind, c.alarm().part.as_str())).collect()
}
