//! The limits of a scenario's values: what no feeder, sensor or calendar can have is refused.

use super::lines::{Lines, Step};
use super::{
    BankConnection, Capacitor, Connection, Duty, Harmonic, NodeSetup, Scenario, ScenarioError,
    Supply, instant,
};
use jiff::tz::TimeZone;
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use wattless_core::settings::NAME_MAX;
use wattless_core::wiring::Wiring;

/// Most working periods of a load that are drawn.
const CYCLES_MAX: f64 = 1.5e6;

type Outcome = Result<(), ScenarioError>;

/// A table of the file under check, for messages.
#[derive(Clone, Copy)]
struct Table<'a> {
    lines: &'a Lines<'a>,
    name: &'static str,
    entry: Option<(usize, &'a str)>,
}

impl Table<'_> {
    fn refuse(&self, key: &str, message: String) -> ScenarioError {
        self.refuse_part(key, None, message)
    }

    /// Refuses an entry of an array, or the whole value.
    fn refuse_part(&self, key: &str, part: Option<usize>, message: String) -> ScenarioError {
        let mut way = vec![Step::Key(self.name)];
        // A name with a dot is a table within the table.
        if let Some((outer, inner)) = self.name.split_once('.') {
            way = vec![Step::Key(outer), Step::Key(inner)];
        }
        way.extend(self.entry.map(|(at, _)| Step::Entry(at)));
        way.push(Step::Key(key));
        way.extend(part.map(Step::Entry));
        let of = self.entry.map_or(String::new(), |(_, name)| format!(" of “{name}”"));
        self.lines.fault(&way, format!("{}.{key}{of}", self.name), message)
    }

    fn within(&self, key: &str, x: f64, range: RangeInclusive<f64>, unit: &str) -> Outcome {
        if range.contains(&x) {
            return Ok(());
        }
        let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
        let (low, high) = (range.start(), range.end());
        Err(self.refuse(key, format!("{x}{unit} is not possible; give {low} to {high}{unit}")))
    }

    fn pair(&self, key: &str, [low, high]: [f64; 2], range: RangeInclusive<f64>) -> Outcome {
        self.within(key, low, range.clone(), "")?;
        self.within(key, high, range, "")?;
        if low > high {
            return Err(self.refuse(key, format!("[{low}, {high}] runs backwards")));
        }
        Ok(())
    }

    fn harmonics(&self, list: &[Harmonic], three_wire_load: bool) -> Outcome {
        for (at, h) in list.iter().enumerate() {
            let refuse = |message| Err(self.refuse_part("harmonics", Some(at), message));
            if !(2..=40).contains(&h.order) {
                return refuse(format!("order {} is not possible; give 2 to 40", h.order));
            }
            if !(0.0..=100.0).contains(&h.pct) {
                return refuse(format!("{} % is not possible; give 0 to 100 %", h.pct));
            }
            if !(-360.0..=360.0).contains(&h.angle_deg) {
                return refuse(format!("{}° is not possible; give -360 to 360°", h.angle_deg));
            }
            if three_wire_load && h.order % 3 == 0 {
                return refuse(format!(
                    "order {} needs a neutral, which the wiring does not have",
                    h.order
                ));
            }
            if list[..at].iter().any(|other| other.order == h.order) {
                return refuse(format!("order {} is given twice", h.order));
            }
        }
        Ok(())
    }
}

/// Finds the first value that cannot be used.
pub fn check(s: &Scenario, lines: &Lines<'_>) -> Outcome {
    let table = |name| Table { lines, name, entry: None };
    let plant = table("plant");
    let zone = TimeZone::get(&s.plant.time_zone).map_err(|_| {
        plant.refuse(
            "time_zone",
            format!("“{}” is no IANA time zone such as Europe/Copenhagen", s.plant.time_zone),
        )
    })?;
    if s.plant.feeder.len() > NAME_MAX {
        let message = format!("longer than the {NAME_MAX} bytes that a node can keep");
        return Err(plant.refuse("feeder", message));
    }
    let span = table("span");
    span.within("days", f64::from(s.span.days), 1.0..=400.0, "days")?;
    if !(1971..=2199).contains(&s.span.start.year())
        || instant(&zone, s.span.start).as_millisecond() <= 0
    {
        return Err(span.refuse("start", "the year must be 1971 to 2199".into()));
    }
    check_supply(&s.supply, &table("supply"))?;
    check_node(&s.node, s.supply.wiring, lines)?;
    check_shifts(s, lines)?;
    check_loads(s, lines)
}

fn check_supply(s: &Supply, t: &Table<'_>) -> Outcome {
    t.within("nominal_v", s.nominal_v, 50.0..=1000.0, "V")?;
    if s.nominal_hz != 50.0 && s.nominal_hz != 60.0 {
        let message = format!("{} Hz is not possible; give 50 or 60 Hz", s.nominal_hz);
        return Err(t.refuse("nominal_hz", message));
    }
    t.within("level_pct", s.level_pct, 80.0..=120.0, "%")?;
    t.within("daily_swing_pct", s.daily_swing_pct, 0.0..=10.0, "%")?;
    t.within("wander_pct", s.wander_pct, 0.0..=5.0, "%")?;
    t.within("frequency_wander_mhz", s.frequency_wander_mhz, 0.0..=200.0, "mHz")?;
    t.within("unbalance_pct", s.unbalance_pct, 0.0..=5.0, "%")?;
    if s.unbalance_pct > 0.0 && s.wiring.phases() < 3 {
        return Err(t.refuse("unbalance_pct", "there is none with fewer than three lines".into()));
    }
    t.harmonics(&s.harmonics, false)?;
    if let Some(x) = &s.transformer {
        let t = Table { name: "supply.transformer", ..*t };
        t.within("kva", x.kva, 1.0..=1e5, "kVA")?;
        t.within("z_pct", x.z_pct, 0.5..=20.0, "%")?;
        t.within("x_over_r", x.x_over_r, 0.5..=50.0, "")?;
    }
    Ok(())
}

fn check_node(n: &NodeSetup, wiring: Wiring, lines: &Lines<'_>) -> Outcome {
    let t = Table { lines, name: "node", entry: None };
    t.within("sample_rate_hz", n.sample_rate_hz, 1000.0..=8000.0, "per second")?;
    if n.sample_rate_hz * 1000.0 != libm::rint(n.sample_rate_hz * 1000.0) {
        return Err(t.refuse("sample_rate_hz", "at most three digits after the point".into()));
    }
    if !(1..=900).contains(&n.interval_s) || 3600 % n.interval_s != 0 {
        let message = format!("{} s is not a divisor of an hour from 1 to 900 s", n.interval_s);
        return Err(t.refuse("interval_s", message));
    }
    if let Some(v) = n.v_range_peak_v {
        t.within("v_range_peak_v", v, 1.0..=100_000.0, "V")?;
    }
    t.within("i_range_peak_a", n.i_range_peak_a, 0.1..=100_000.0, "A")?;
    t.within("noise_uv", n.noise_uv, 0.0..=10_000.0, "µV")?;
    t.within("full_scale_mv", n.full_scale_mv, 1.0..=10_000.0, "mV")?;
    let t = Table { name: "node.errors", ..t };
    let names = wattless_core::frame::Channel::ALL.map(|c| c.name());
    for (name, e) in names.iter().chain(&["in"]).zip(n.errors.by_slot()) {
        t.within(name, e.gain_pct, -50.0..=50.0, "% gain")?;
        t.within(name, e.phase_min, -600.0..=600.0, "minutes")?;
        t.within(name, f64::from(e.offset_counts), -1e6..=1e6, "counts")?;
    }
    check_front_end(n, lines)?;
    let t = Table { name: "node.leads", ..t };
    let line_leads = matches!(wiring, Wiring::ThreeWireLine | Wiring::TwoSensorLine);
    for (slot, (name, lead)) in names.iter().zip(n.leads.by_slot()).enumerate() {
        let Some(lead) = lead else { continue };
        if lead.place().0 >= wiring.phases() {
            return Err(t.refuse(name, "the wiring has no such line".into()));
        }
        if line_leads && slot < 3 {
            let message = "voltage inputs of this wiring lie between lines; only i1 to i3 can \
                           be moved";
            return Err(t.refuse(name, message.into()));
        }
    }
    if n.leads.neutral.is_some_and(|lead| lead.place().0 >= wiring.phases()) {
        return Err(t.refuse("in", "the wiring has no such line".into()));
    }
    if n.neutral_sensor && wiring.neutral_current().is_none() {
        let t = Table { name: "node", ..t };
        return Err(t.refuse("neutral_sensor", "the wiring has no neutral".into()));
    }
    Ok(())
}

fn check_front_end(n: &NodeSetup, lines: &Lines<'_>) -> Outcome {
    let t = Table { lines, name: "node.front_end", entry: None };
    let e = &n.front_end;
    let (low, high) = wattless_core::calibration::SINC3_OSR_RANGE;
    if e.sinc3_osr != 0 && !((low..=high).contains(&e.sinc3_osr) && e.sinc3_osr.is_power_of_two()) {
        let message = format!(
            "{} is not possible; give 0, or a power of two from {low} to {high}",
            e.sinc3_osr
        );
        return Err(t.refuse("sinc3_osr", message));
    }
    t.within("rc_ns", f64::from(e.rc_ns), 0.0..=1e6, "ns")?;
    t.within("clock_error_ppm", e.clock_error_ppm, -1000.0..=1000.0, "ppm")?;
    let t = Table { name: "node.sensors", ..t };
    let s = &n.sensors;
    if let Some(a) = s.rated_a {
        t.within("rated_a", a, 0.1..=1e5, "A")?;
    }
    if s.rated_a.is_some() == s.table.is_empty() {
        let message = "a table and the rated current that its loads refer to go together";
        let key = if s.table.is_empty() { "rated_a" } else { "table" };
        return Err(t.refuse(key, message.into()));
    }
    if s.table.len() > wattless_core::calibration::TABLE_MAX {
        let most = wattless_core::calibration::TABLE_MAX;
        return Err(t.refuse("table", format!("at most {most} rows, not {}", s.table.len())));
    }
    for row in &s.table {
        t.within("table", row.load_pct, 0.1..=6000.0, "% load")?;
        t.within("table", row.ratio_pct, -20.0..=20.0, "% ratio")?;
        t.within("table", row.lead_min, -600.0..=600.0, "minutes")?;
    }
    if s.table.windows(2).any(|w| w[0].load_pct >= w[1].load_pct) {
        return Err(t.refuse("table", "loads must rise from row to row".into()));
    }
    Ok(())
}

fn check_shifts(s: &Scenario, lines: &Lines<'_>) -> Outcome {
    for (at, shift) in s.shift.iter().enumerate() {
        let t = Table { lines, name: "shift", entry: Some((at, &shift.name)) };
        if s.shift[..at].iter().any(|other| other.name == shift.name) {
            return Err(t.refuse("name", "another shift has this name".into()));
        }
        if shift.days.is_empty() {
            return Err(t.refuse("days", "give at least one of mon, tue, … sun".into()));
        }
        if shift.from == shift.to {
            return Err(t.refuse("to", "the shift ends when it starts".into()));
        }
    }
    Ok(())
}

fn check_loads(s: &Scenario, lines: &Lines<'_>) -> Outcome {
    let wiring = s.supply.wiring;
    let mut names: BTreeMap<&str, &'static str> = BTreeMap::new();
    for (at, m) in s.motor.iter().enumerate() {
        let t = Table { lines, name: "motor", entry: Some((at, &m.name)) };
        t.within("rated_kw", m.rated_kw, 0.1..=10_000.0, "kW")?;
        t.within("efficiency", m.efficiency, 0.5..=0.99, "")?;
        t.within("pf", m.pf, 0.5..=0.95, "")?;
        if let Some(half) = m.pf_half_load
            && !(0.3..m.pf).contains(&half)
        {
            let message = format!("{half} is not possible; give 0.3 to less than pf {}", m.pf);
            return Err(t.refuse("pf_half_load", message));
        }
        if crate::bench::motor::MotorModel::new(m, 1.0).is_none() {
            let message = "a motor with these two power factors would magnetize itself; \
                           give a smaller pf_half_load or a smaller pf";
            return Err(t.refuse("pf_half_load", message.into()));
        }
        t.within("start_multiple", m.start_multiple, 1.0..=10.0, "times rated current")?;
        t.within("start_pf", m.start_pf, 0.05..=0.9, "")?;
        t.within("start_s", m.start_s, 0.0..=60.0, "s")?;
        check_load(s, &t, m.connected, &m.duty(), &mut names)?;
    }
    let plain = [
        ("lighting", &s.lighting),
        ("heater", &s.heater),
        ("rectifier", &s.rectifier),
        ("welder", &s.welder),
    ];
    for (kind, list) in plain {
        for (at, l) in list.iter().enumerate() {
            let t = Table { lines, name: kind, entry: Some((at, &l.name)) };
            t.within("kw", l.kw, 0.001..=10_000.0, "kW")?;
            if let Some(pf) = l.pf {
                t.within("pf", pf, 0.01..=1.0, "")?;
            }
            let without_neutral = wiring.is_three_wire() && l.connected == Connection::ThreePhase;
            t.harmonics(l.harmonics.as_deref().unwrap_or_default(), without_neutral)?;
            check_load(s, &t, l.connected, &l.duty(), &mut names)?;
        }
    }
    for (at, c) in s.capacitor.iter().enumerate() {
        let t = Table { lines, name: "capacitor", entry: Some((at, &c.name)) };
        check_name(&t, &c.name, &mut names)?;
    }
    for (at, c) in s.capacitor.iter().enumerate() {
        let t = Table { lines, name: "capacitor", entry: Some((at, &c.name)) };
        check_capacitor(s, &t, c, &names)?;
    }
    Ok(())
}

fn check_name<'a>(
    t: &Table<'a>,
    name: &'a str,
    names: &mut BTreeMap<&'a str, &'static str>,
) -> Outcome {
    match names.insert(name, t.name) {
        Some(kind) => Err(t.refuse("name", format!("a {kind} has this name already"))),
        None => Ok(()),
    }
}

fn check_place(wiring: Wiring, t: &Table<'_>, c: Connection) -> Outcome {
    let lines = wiring.phases();
    let reason = match c.ends() {
        None if lines < 3 => "the wiring has fewer than three lines",
        Some((a, b)) if a >= lines || b.is_some_and(|b| b >= lines) => {
            "the wiring has no such line"
        }
        Some((_, None)) if wiring.is_three_wire() => "the wiring has no neutral",
        _ => return Ok(()),
    };
    Err(t.refuse("connected", reason.into()))
}

fn check_load<'a>(
    s: &Scenario,
    t: &Table<'a>,
    connected: Connection,
    d: &Duty,
    names: &mut BTreeMap<&'a str, &'static str>,
) -> Outcome {
    let name = t.entry.map_or("", |(_, name)| name);
    check_name(t, name, names)?;
    check_place(s.supply.wiring, t, connected)?;
    check_when(s, t, &d.when)?;
    t.within("spread_min", d.spread_min, 0.0..=120.0, "min")?;
    t.pair("work_load", d.work_load, 0.0..=1.5)?;
    t.within("rest_load", d.rest_load, 0.0..=1.5, "")?;
    match (d.work_s, d.rest_s) {
        (Some(work), Some(rest)) => {
            t.pair("work_s", work, 0.2..=86_400.0)?;
            t.pair("rest_s", rest, 0.2..=86_400.0)?;
            let cycles = f64::from(s.span.days) * 86_400.0 / (work[0] + rest[0]);
            if cycles > CYCLES_MAX {
                let message = format!(
                    "may switch {cycles:.0} times in the span, more than {CYCLES_MAX}; give longer \
                     periods or fewer days"
                );
                return Err(t.refuse("work_s", message));
            }
        }
        (Some(_), None) => return Err(t.refuse("work_s", "needs rest_s beside it".into())),
        (None, Some(_)) => return Err(t.refuse("rest_s", "needs work_s beside it".into())),
        (None, None) => {}
    }
    if let (Some(since), Some(until)) = (d.since, d.until)
        && since >= until
    {
        return Err(t.refuse("until", "is not after `since`".into()));
    }
    Ok(())
}

fn check_when(s: &Scenario, t: &Table<'_>, when: &[String]) -> Outcome {
    match when.iter().find(|w| s.shift.iter().all(|shift| shift.name != **w)) {
        Some(unknown) => {
            let known: Vec<&str> = s.shift.iter().map(|s| s.name.as_str()).collect();
            let known = if known.is_empty() { "none".into() } else { known.join(", ") };
            Err(t.refuse("when", format!("there is no shift “{unknown}” (there is: {known})")))
        }
        None => Ok(()),
    }
}

fn check_capacitor(
    s: &Scenario,
    t: &Table<'_>,
    c: &Capacitor,
    names: &BTreeMap<&str, &'static str>,
) -> Outcome {
    let wiring = s.supply.wiring;
    t.within("kvar", c.kvar, 0.01..=100_000.0, "kvar")?;
    if let Some(v) = c.rated_v {
        t.within("rated_v", v, 50.0..=2000.0, "V")?;
    }
    t.within("detuning_pct", c.detuning_pct, 0.0..=20.0, "%")?;
    check_place(wiring, t, c.connected.single().unwrap_or(Connection::ThreePhase))?;
    if c.connected == BankConnection::Star && wiring.is_three_wire() {
        return Err(t.refuse("connected", "a star to neutral needs a neutral; give delta".into()));
    }
    check_when(s, t, &c.when)?;
    if let Some(with) = &c.with {
        let kind = names.get(with.as_str());
        if kind.is_none_or(|k| *k == "capacitor") {
            return Err(t.refuse("with", format!("there is no load “{with}” to switch with")));
        }
    }
    let ways = [!c.when.is_empty(), c.with.is_some(), c.step_kvar.is_some()];
    if ways.iter().filter(|w| **w).count() > 1 {
        let message = "a bank is switched by one of when, with, step_kvar";
        return Err(t.refuse(if c.with.is_some() { "with" } else { "when" }, message.into()));
    }
    match &c.step_kvar {
        Some(steps) => {
            steps.iter().try_for_each(|&x| t.within("step_kvar", x, 0.01..=1e5, "kvar"))?;
            let sum: f64 = steps.iter().sum();
            if (sum - c.kvar).abs() > 1e-6 * c.kvar {
                let message = format!("the steps add to {sum} kvar, not to kvar {}", c.kvar);
                return Err(t.refuse("step_kvar", message));
            }
        }
        None => {
            let lost = [("target_pf", c.target_pf.is_some()), ("delay_s", c.delay_s.is_some())];
            if let Some((key, _)) = lost.iter().find(|(_, given)| *given) {
                return Err(t.refuse(key, "only a bank with step_kvar has it".into()));
            }
        }
    }
    t.within("target_pf", c.target_pf.unwrap_or(0.95), 0.8..=1.0, "")?;
    t.within("delay_s", c.delay_s.unwrap_or(40.0), 1.0..=600.0, "s")?;
    if let Some(dead) = c.dead {
        let possible = match (c.connected, dead.ends()) {
            (_, None) => false,
            (BankConnection::Delta, Some(_)) => true,
            (BankConnection::Star, Some((_, end))) => end.is_none(),
            (single, Some(_)) => single.single() == Some(dead),
        };
        if !possible {
            return Err(t.refuse("dead", "the bank has no such element or fuse".into()));
        }
    } else if c.dead_since.is_some() {
        return Err(t.refuse("dead_since", "needs dead beside it".into()));
    }
    if let (Some(since), Some(until)) = (c.since, c.until)
        && since >= until
    {
        return Err(t.refuse("until", "is not after `since`".into()));
    }
    Ok(())
}
