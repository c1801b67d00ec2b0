//! Pictures in characters: the week by the hour, power factor beside load.

use crate::analyse::survey::clock::DAY_NAMES;
use crate::analyse::survey::profile::HourOfWeek;

/// Steps of a bar, from little to full.
const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// How far below the target a shade begins, darkest last.
const SHADES: [(f64, &str); 4] = [(0.0, "░░"), (0.05, "▒▒"), (0.10, "▓▓"), (0.20, "██")];

/// Two characters for a power factor against a target; they differ without colour.
fn shade(h: &HourOfWeek, target: f64) -> &'static str {
    if h.measured_h <= 0.0 {
        return if h.skipped { "  " } else { "??" };
    }
    let Some(pf) = h.pf else { return "--" };
    let short = target - pf;
    // Half a thousandth is below what the figures show.
    if short <= 0.0005 {
        return "··";
    }
    if h.q1_var.is_some_and(|q| q < 0.0) {
        return "le";
    }
    SHADES.iter().rev().find(|(from, _)| short > *from).map_or("··", |(_, s)| s)
}

/// One character for a load as a share of the highest hour.
fn bar(h: &HourOfWeek, most_w: f64) -> char {
    match h.p_w {
        None if h.skipped => ' ',
        None => '?',
        Some(p) if p < 0.0 => '<',
        Some(_) if most_w <= 0.0 => '-',
        Some(p) if p < most_w * 0.01 => '-',
        Some(p) => {
            let step = (p / most_w * BARS.len() as f64) as usize;
            BARS[step.min(BARS.len() - 1)]
        }
    }
}

/// The week in seven lines: power factor by the hour, two characters each, then load, one each.
///
/// `peak_hour` is the hour of the week with the demand peak; it is marked P.
pub fn week(hours: &[HourOfWeek], target: f64, peak_hour: Option<usize>) -> Vec<String> {
    let most_w = hours.iter().filter_map(|h| h.p_w).fold(0.0, f64::max);
    let mut lines = vec![
        format!("    {:<48}  {}", "Power factor", "Load"),
        format!("    {}  {}", hour_scale(2), hour_scale(1)),
    ];
    for (day, row) in hours.chunks(24).enumerate().take(7) {
        let mut factor = String::new();
        let mut load = String::new();
        for (hour, h) in row.iter().enumerate() {
            factor.push_str(shade(h, target));
            load.push(if peak_hour == Some(day * 24 + hour) { 'P' } else { bar(h, most_w) });
        }
        lines.push(format!("{} {factor}  {load}", DAY_NAMES[day]));
    }
    lines
}

/// Hours 00, 03, ... over 24 cells of a width.
fn hour_scale(cell: usize) -> String {
    let step = if cell == 1 { 6 } else { 3 };
    (0..24).step_by(step).map(|h| format!("{h:02}{}", " ".repeat(step * cell - 2))).collect()
}

/// What the characters mean.
pub fn legend(target: f64) -> Vec<String> {
    let at = |below: f64| format!("{:.2}", target - below);
    vec![
        format!(
            "·· {target:.2} or better  ░░ down to {}  ▒▒ to {}  ▓▓ to {}  ██ lower",
            at(0.05),
            at(0.10),
            at(0.20)
        ),
        "le low and leading  -- no load  ?? not recorded  P hour of the kW peak".to_owned(),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(pf: Option<f64>, p_w: f64, q1_var: f64) -> HourOfWeek {
        let (measured_h, p_w, q1_var) = (1.0, Some(p_w), Some(q1_var));
        HourOfWeek { day: "Mon", hour: 0, measured_h, skipped: false, p_w, q1_var, pf }
    }

    #[test]
    fn shades_tell_factors_apart() {
        for (pf, text) in
            [(0.96, "··"), (0.95, "··"), (0.94, "░░"), (0.89, "▒▒"), (0.80, "▓▓"), (0.70, "██")]
        {
            assert_eq!(shade(&hour(Some(pf), 1.0, 1.0), 0.95), text, "{pf}");
        }
        assert_eq!(shade(&hour(Some(0.5), 1.0, -1.0), 0.95), "le");
        assert_eq!(shade(&hour(None, 0.0, 0.0), 0.95), "--");
        let unseen = HourOfWeek { measured_h: 0.0, p_w: None, ..hour(None, 0.0, 0.0) };
        assert_eq!((shade(&unseen, 0.95), bar(&unseen, 1.0)), ("??", '?'));
        let skipped = HourOfWeek { skipped: true, ..unseen };
        assert_eq!((shade(&skipped, 0.95), bar(&skipped, 1.0)), ("  ", ' '));
    }

    #[test]
    fn the_week_fits_80_columns() {
        let hours: Vec<HourOfWeek> = (0..168).map(|h| hour(Some(0.9), f64::from(h), 1.0)).collect();
        let lines = week(&hours, 0.95, Some(30));
        assert_eq!(lines.len(), 9);
        assert!(lines.iter().chain(&legend(0.95)).all(|l| l.chars().count() <= 79));
        assert!(lines[3].ends_with("▂▂▂▂▂▂P▂▂▂▂▂▂▂▂▂▂▂▃▃▃▃▃▃"), "{}", lines[3]);
        assert!(lines[8].ends_with('█'));
    }
}
