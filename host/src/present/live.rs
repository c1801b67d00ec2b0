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
        let name = if self.feeder.is_empty() { "(no name)" } else { &self.feeder };
        let mut out = Vec::new();
        let head = format!("{name}, node {} at {}", self.node_id, self.address);
        out.extend(wrapped(&head, WIDTH).iter().map(|l| style.strong(l)));
        out.push(Self::local(self.at_ms, zone, "%a %Y-%m-%d %H:%M:%S"));
        out.push(String::new());
        if let Some((since_ms, why)) = &self.lost {
            let seconds = (self.at_ms - since_ms).max(0) as f64 / 1000.0;
            let words = format!("NO ANSWER for {}: {why}. It is tried again.", span(seconds));
            out.extend(wrapped(&words, WIDTH).iter().map(|l| style.strong(l)));
            return out;
        }
        let Some(live) = &self.live else {
            out.push("No reading yet: the node has just started.".to_owned());
            return out;
        };
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
            let [v_thd, i_thd] = self.distortion(k).map(|x| match x {
                Some(x) => format!("{:.1} %", x * 100.0),
                None => NONE.to_owned(),
            });
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
        out.push(String::new());
        let hz = live.frequency_hz.map_or("no fundamental".to_owned(), |f| format!("{f:.3} Hz"));
        self.labelled(&mut out, "Frequency", &hz);
        self.labelled(&mut out, "Demand", &self.demand(zone));
        let clock = self.clock_offset_ms.map_or("not set".to_owned(), |ms| {
            format!("{:+.1} s against this computer", ms as f64 / 1000.0)
        });
        self.labelled(&mut out, "Clock", &clock);
        self.labelled(&mut out, "Remarks", &remarks(live.flags));
        out
    }

    fn labelled(&self, out: &mut Vec<String>, label: &str, text: &str) {
        for (k, line) in wrapped(text, WIDTH - 12).iter().enumerate() {
            let lead = if k == 0 { label } else { "" };
            out.push(format!("{lead:<12}{line}"));
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
        format!(
            "{} to {}, {} to go: {heading}; {} kW if all stopped now",
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
        all.insert("demand".to_owned(), json!(self.running.map(|r| running_json(&r))));
        all.insert("clock_offset_ms".to_owned(), json!(self.clock_offset_ms));
        Value::Object(all)
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
