//! The readings of a node now, for someone at the panel: lines of a terminal, or one JSON object.

use super::number::{NONE, four_digits, span};
use super::text::{Style, wrapped};
use crate::watch::page::words::{remarks, totals};
use crate::watch::running::Running;
use crate::watch::state::{Link, StationState};
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use wattless_core::flags::Flags;
use wattless_core::record::Record;
use wattless_core::wire::Live;

/// Widest line, in characters.
const WIDTH: usize = 80;

/// Narrowest terminal that the whole table fits into.
const TABLE_WIDTH: usize = 79;

/// Narrowest that anything is made for.
const LEAST_WIDTH: usize = 36;

/// What is known of a node at one time.
#[derive(Clone, Debug, Default)]
pub struct LiveView {
    /// The node's address.
    pub address: String,
    /// Its number, 16 hexadecimal digits.
    pub node_id: String,
    /// What it is connected to.
    pub feeder: String,
    /// When this was read, Unix milliseconds.
    pub at_ms: i64,
    /// Since when the node does not answer (Unix milliseconds), and why; none while it does.
    pub lost: Option<(i64, String)>,
    /// The newest window; none before the first, and while the node does not answer.
    pub live: Option<Live>,
    /// The newest record, for what a window does not carry.
    pub record: Option<Record>,
    /// The demand interval under way.
    pub running: Option<Running>,
    /// Node's clock minus this computer's in ms; none without a clock.
    pub clock_offset_ms: Option<i64>,
}

/// A power factor with its side; a dash without load.
fn power_factor(p_w: f64, q1_var: f64, s_va: f64, loaded: bool) -> String {
    if !loaded || s_va <= 0.0 {
        return NONE.to_owned();
    }
    let side = if q1_var < 0.0 { "leading" } else { "lagging" };
    format!("{:.3} {side}", (p_w / s_va).clamp(-1.0, 1.0))
}

/// A value in a column, to the right.
fn cell(text: &str, width: usize) -> String {
    let pad = width.saturating_sub(text.chars().count());
    format!("{}{text}", " ".repeat(pad))
}

impl LiveView {
    /// What a watch knows of a node.
    pub fn of(s: &StationState) -> LiveView {
        LiveView {
            address: s.address.clone(),
            node_id: s.node_id.clone(),
            feeder: s.feeder.clone(),
            at_ms: s.heard_ms.unwrap_or(0),
            lost: match &s.link {
                Link::Down(why) | Link::OtherNode(why) => {
                    Some((s.heard_ms.unwrap_or(0), why.clone()))
                }
                Link::Starting | Link::Up => None,
            },
            live: s.live.clone(),
            record: s.newest,
            running: s.running,
            clock_offset_ms: s.clock_offset_ms,
        }
    }

    fn local(ms: i64, zone: &TimeZone, format: &str) -> String {
        jiff::Timestamp::from_millisecond(ms)
            .map(|t| t.to_zoned_datetime(zone.clone()).strftime(format).to_string())
            .unwrap_or_default()
    }

    /// Distortion of a phase from the newest record, as ratios: voltage, current.
    fn distortion(&self, phase: usize) -> [Option<f64>; 2] {
        let h = self.record.as_ref().map(|r| r.harmonics);
        let of = |x: Option<f32>| x.map(f64::from).filter(|x| x.is_finite());
        [of(h.map(|h| h.v_thd[phase])), of(h.map(|h| h.i_thd[phase]))]
    }

    /// Lines of 80 characters at most; as many each time, as long as words do not grow.
    pub fn lines(&self, zone: &TimeZone, style: Style) -> Vec<String> {
        self.lines_within(WIDTH, zone, style)
    }

    /// The same for a terminal of some width: a narrow one has power factors and THD below the
    /// table instead of in it.
    pub fn lines_within(&self, width: usize, zone: &TimeZone, style: Style) -> Vec<String> {
        let width = width.clamp(LEAST_WIDTH, WIDTH);
        let name = if self.feeder.is_empty() { "(no name)" } else { &self.feeder };
        let mut out = Vec::new();
        let head = format!("{name}, node {} at {}", self.node_id, self.address);
        out.extend(wrapped(&head, width).iter().map(|l| style.strong(l)));
        out.push(Self::local(self.at_ms, zone, "%a %Y-%m-%d %H:%M:%S"));
        if width >= TABLE_WIDTH {
            out.push(String::new());
        }
        if let Some((since_ms, why)) = &self.lost {
            let seconds = (self.at_ms - since_ms).max(0) as f64 / 1000.0;
            let words = format!("NO ANSWER for {}: {why}. It is tried again.", span(seconds));
            out.extend(wrapped(&words, width).iter().map(|l| style.strong(l)));
            return out;
        }
        let Some(live) = &self.live else {
            out.push("No reading yet: the node has just started.".to_owned());
            return out;
        };
        if width >= TABLE_WIDTH {
            self.table(&mut out, live, style);
            out.push(String::new());
        } else {
            self.narrow(&mut out, live, style);
        }
        let hz = live.frequency_hz.map_or("no fundamental".to_owned(), |f| format!("{f:.3} Hz"));
        labelled(&mut out, width, "Frequency", &hz);
        labelled(&mut out, width, "THD", &self.distortion_of(zone));
        labelled(&mut out, width, "Demand", &self.demand(zone));
        let clock = self.clock_offset_ms.map_or("not set".to_owned(), |ms| {
            format!("{:+.1} s against this computer", ms as f64 / 1000.0)
        });
        labelled(&mut out, width, "Clock", &clock);
        labelled(&mut out, width, "Remarks", &remarks(live.flags));
        out
    }

    /// Of which record the distortion is; a window has none.
    fn distortion_of(&self, zone: &TimeZone) -> String {
        match self.record.as_ref().map(|r| i64::try_from(r.wall_ms).unwrap_or(0)) {
            None => "comes with the first record".to_owned(),
            Some(0) => "of the newest record".to_owned(),
            Some(ms) => {
                format!("of the record to {}", Self::local(ms, zone, "%H:%M"))
            }
        }
    }

    /// THD of a phase as words: voltage, current.
    fn distortion_words(&self, phase: usize) -> [String; 2] {
        self.distortion(phase).map(|x| match x {
            Some(x) => format!("{:.1} %", x * 100.0),
            None => NONE.to_owned(),
        })
    }

    fn table(&self, out: &mut Vec<String>, live: &Live, style: Style) {
        out.push(format!(
            "{:<6}{}{}{}{}{}{}{}",
            "",
            cell("V", 9),
            cell("A", 10),
            cell("kW", 10),
            cell("kvar", 10),
            cell("PF", 16),
            cell("THD V", 9),
            cell("THD A", 9),
        ));
        for (k, p) in live.phases.iter().take(live.wiring.phases()).enumerate() {
            let (w, var, va) = (f64::from(p.p_w), f64::from(p.q1_var), f64::from(p.s_va));
            let [v_thd, i_thd] = self.distortion_words(k);
            out.push(format!(
                "L{:<5}{}{}{}{}{}{}{}",
                k + 1,
                cell(&format!("{:.1}", p.v_rms_v), 9),
                cell(&four_digits(f64::from(p.i_rms_a)), 10),
                cell(&four_digits(w / 1e3), 10),
                cell(&four_digits(var / 1e3), 10),
                cell(&power_factor(w, var, va, p.loaded), 16),
                cell(&v_thd, 9),
                cell(&i_thd, 9),
            ));
        }
        let (p, q, s) = totals(live);
        let loaded = live.phases.iter().any(|p| p.loaded);
        let total = format!(
            "{:<25}{}{}{}",
            "Total",
            cell(&four_digits(p / 1e3), 10),
            cell(&four_digits(q / 1e3), 10),
            cell(&power_factor(p, q, s, loaded), 16)
        );
        out.push(style.strong(&total));
    }

    fn narrow(&self, out: &mut Vec<String>, live: &Live, style: Style) {
        let row = |name: &str, cells: [String; 4]| {
            let [v, i, p, q] = cells;
            format!("{name:<5}{}{}{}{}", cell(&v, 7), cell(&i, 8), cell(&p, 8), cell(&q, 8))
        };
        out.push(row("", ["V", "A", "kW", "kvar"].map(str::to_owned)));
        let there = || live.phases.iter().take(live.wiring.phases()).enumerate();
        for (k, p) in there() {
            let volts = format!("{:.1}", p.v_rms_v);
            let [amps, kw, kvar] = [p.i_rms_a, p.p_w / 1e3, p.q1_var / 1e3];
            let rest = [amps, kw, kvar].map(|x| four_digits(f64::from(x)));
            let [amps, kw, kvar] = rest;
            out.push(row(&format!("L{}", k + 1), [volts, amps, kw, kvar]));
        }
        let (p, q, s) = totals(live);
        let loaded = live.phases.iter().any(|p| p.loaded);
        let [none, kw, kvar] = [String::new(), four_digits(p / 1e3), four_digits(q / 1e3)];
        out.push(style.strong(&row("Total", [none.clone(), none, kw, kvar])));
        let mut factor = |name: String, p, q, s, loaded| {
            out.push(format!("{name:<12}{}", power_factor(p, q, s, loaded)));
        };
        factor("PF total".to_owned(), p, q, s, loaded);
        for (k, p) in there() {
            let [w, var, va] = [p.p_w, p.q1_var, p.s_va].map(f64::from);
            factor(format!("PF L{}", k + 1), w, var, va, p.loaded);
        }
        for (k, _) in there() {
            let [v_thd, i_thd] = self.distortion_words(k);
            out.push(format!("THD L{:<7}V {v_thd}, A {i_thd}", k + 1));
        }
    }

    fn demand(&self, zone: &TimeZone) -> String {
        let Some(r) = &self.running else { return "not known yet".to_owned() };
        let clock = |ms| Self::local(ms, zone, "%H:%M");
        let heading = match (r.heading, r.heading_va()) {
            (Some((p, _)), Some(s)) => {
                format!("heading for {} kW, {} kVA", four_digits(p / 1e3), four_digits(s / 1e3))
            }
            _ if !r.is_known() => {
                format!("known for {:.0} % of the time gone by", r.known * 100.0)
            }
            _ => "too early to tell where it is heading".to_owned(),
        };
        let least = if r.is_known() { "" } else { "at least " };
        format!(
            "{} to {}, {} to go: {heading}; {least}{} kW if all stopped now",
            clock(r.from_ms),
            clock(r.until_ms),
            span(libm::round(r.left_s())),
            four_digits(r.so_far_w / 1e3)
        )
    }

    /// The same as an object with units in its keys.
    pub fn json(&self) -> Value {
        let head = json!({
            "at_ms": self.at_ms,
            "address": self.address,
            "node_id": self.node_id,
            "feeder": self.feeder,
            "link": if self.lost.is_some() { "down" } else { "up" },
            "reason": self.lost.as_ref().map(|l| &l.1),
        });
        let Value::Object(mut all) = head else { return head };
        if let Some(live) = &self.live {
            let (p_w, q1_var, s_va) = totals(live);
            let loaded = live.phases.iter().any(|p| p.loaded) && s_va > 0.0;
            let phase = |k: usize| {
                let p = live.phases.get(k).copied().unwrap_or_default();
                let [v_thd, i_thd] = self.distortion(k);
                json!({
                    "v_rms_v": p.v_rms_v, "i_rms_a": p.i_rms_a, "p_w": p.p_w,
                    "q1_var": p.q1_var, "s_va": p.s_va,
                    "power_factor":
                        (p.loaded && p.s_va > 0.0).then(|| f64::from(p.p_w) / f64::from(p.s_va)),
                    "v_thd_pct": v_thd.map(|x| x * 100.0),
                    "i_thd_pct": i_thd.map(|x| x * 100.0),
                })
            };
            all.extend([
                ("uptime_ms".to_owned(), json!(live.uptime_ms)),
                ("wiring".to_owned(), json!(live.wiring.name())),
                ("frequency_hz".to_owned(), json!(live.frequency_hz)),
                ("phases".to_owned(), (0..live.wiring.phases()).map(phase).collect()),
                ("p_w".to_owned(), json!(p_w)),
                ("q1_var".to_owned(), json!(q1_var)),
                ("s_va".to_owned(), json!(s_va)),
                ("power_factor".to_owned(), json!(loaded.then(|| p_w / s_va))),
                ("flags".to_owned(), Flags(live.flags).names().collect()),
            ]);
        }
        let of = self.record.as_ref().map(|r| r.wall_ms).filter(|ms| *ms > 0);
        all.insert("thd_of_record_ended_ms".to_owned(), json!(of));
        all.insert("demand".to_owned(), json!(self.running.map(|r| running_json(&r))));
        all.insert("clock_offset_ms".to_owned(), json!(self.clock_offset_ms));
        Value::Object(all)
    }
}

/// A label, and its text beside it.
fn labelled(out: &mut Vec<String>, width: usize, label: &str, text: &str) {
    for (k, line) in wrapped(text, width - 12).iter().enumerate() {
        let lead = if k == 0 { label } else { "" };
        out.push(format!("{lead:<12}{line}"));
    }
}

/// The running interval with units in its keys.
pub fn running_json(r: &Running) -> Value {
    json!({
        "from_ms": r.from_ms,
        "until_ms": r.until_ms,
        "at_ms": r.at_ms,
        "known_share": r.known,
        "so_far_w": r.so_far_w,
        "so_far_var": r.so_far_var,
        "heading_w": r.heading.map(|h| h.0),
        "heading_var": r.heading.map(|h| h.1),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattless_core::wire::LivePhase;
    use wattless_core::wiring::Wiring;

    fn view() -> LiveView {
        let phase = LivePhase {
            v_rms_v: 12_345.6,
            i_rms_a: 1234.5,
            p_w: -9_876_543.0,
            q1_var: -1_234_567.0,
            s_va: 9_999_999.0,
            loaded: true,
        };
        let mut record = Record::BLANK;
        record.harmonics.v_thd = [0.021, 0.5, f32::NAN];
        record.harmonics.i_thd = [9.99, 0.083, f32::NAN];
        LiveView {
            address: "tcp:a-very-long-name-of-a-host.in-a-very-long-domain.example:7000".to_owned(),
            node_id: "000000005a170001".to_owned(),
            feeder: "Sawmill main".to_owned(),
            at_ms: 1_780_315_200_000,
            live: Some(Live {
                uptime_ms: 1000,
                wiring: Wiring::FourWire,
                frequency_hz: Some(49.987),
                flags: u32::MAX >> 13,
                phases: [phase; 3],
                s_effective_va: None,
                energy_counts: [0; 7],
            }),
            record: Some(record),
            running: Some(Running {
                from_ms: 1_780_315_200_000,
                until_ms: 1_780_316_100_000,
                at_ms: 1_780_315_500_000,
                known: 1.0,
                so_far_w: 40_000.0,
                so_far_var: 30_000.0,
                heading: Some((120_000.0, 90_000.0)),
            }),
            clock_offset_ms: Some(-1234),
            ..LiveView::default()
        }
    }

    #[test]
    fn the_largest_numbers_fit_eighty_columns() {
        let lines = view().lines(&TimeZone::UTC, Style::PLAIN);
        let text = lines.join("\n");
        for line in &lines {
            assert!(line.chars().count() <= 80, "{line}");
        }
        for part in [
            "12345.6",
            "-9877",
            "-0.988 leading",
            "2.1 %",
            "999.0 %",
            "49.987 Hz",
            "12:00 to 12:15, 10 min to go: heading for 120.0 kW, 150.0 kVA; 40.00 kW if all",
            "-1.2 s against this computer",
        ] {
            let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(flat.contains(part), "{part} is not in\n{text}");
        }
    }

    /// Nothing is cut off where the terminal is narrow: everything that the wide table has is there.
    #[test]
    fn a_narrow_terminal_has_everything_below_each_other() {
        for width in [36, 40, 60, 78] {
            let mut v = LiveView { address: "tcp:192.168.4.20:7325".to_owned(), ..view() };
            if let Some(live) = &mut v.live {
                live.flags = 0;
            }
            if let Some(record) = &mut v.record {
                record.wall_ms = 1_780_315_200_000;
            }
            let lines = v.lines_within(width, &TimeZone::UTC, Style::PLAIN);
            for line in &lines {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
            let flat = lines.join(" ").split_whitespace().collect::<Vec<_>>().join(" ");
            for part in [
                "V A kW kvar L1 12345.6",
                "PF total -0.988 leading PF L1 -0.988 leading",
                "THD L1 V 2.1 %, A 999.0 %",
                "THD of the record to 12:00",
                "40.00 kW if all stopped now",
            ] {
                assert!(flat.contains(part), "{part} is not in\n{}", lines.join("\n"));
            }
            // The usual 24 lines, of which the last is the cursor's.
            assert!(width < 40 || lines.len() < 24, "{}", lines.join("\n"));
        }
    }

    #[test]
    fn fewer_phases_and_no_load_leave_dashes_and_rows_out() {
        let mut v = view();
        if let Some(live) = &mut v.live {
            live.wiring = Wiring::SinglePhase;
            live.phases[0] = LivePhase { v_rms_v: 230.0, ..LivePhase::default() };
            live.flags = 0;
        }
        v.record = None;
        v.running = None;
        v.clock_offset_ms = None;
        let text = v.lines(&TimeZone::UTC, Style::PLAIN).join("\n");
        assert!(!text.contains("L2") && text.contains("not known yet"), "{text}");
        assert!(
            text.contains("Remarks     none") && text.contains("Clock       not set"),
            "{text}"
        );
        let row = text.lines().find(|l| l.starts_with("L1")).unwrap();
        assert_eq!(row.matches(NONE).count(), 3, "{row}");
        let j = v.json();
        assert_eq!(j["phases"].as_array().unwrap().len(), 1);
        assert!(j["power_factor"].is_null() && j["phases"][0]["v_thd_pct"].is_null());
        assert_eq!((&j["link"], &j["demand"]), (&"up".into(), &Value::Null));
    }

    #[test]
    fn a_lost_link_shows_no_readings() {
        let lost = Some((1_780_315_190_000, "the connection broke".to_owned()));
        let v = LiveView { lost, live: None, ..view() };
        let text = v.lines(&TimeZone::UTC, Style::PLAIN).join("\n");
        assert!(text.contains("NO ANSWER for 10 s: the connection broke. It is tried again."));
        assert_eq!(v.json()["link"], "down");
        assert!(v.json().get("phases").is_none());
    }
}
