//! Numbers for people: engineering units, as many digits as carry meaning, a dash for none.

/// What stands where a value does not exist.
pub const NONE: &str = "–";

/// The prefix that all powers and energies of one report share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Prefix {
    /// W, var, VA.
    One,
    /// kW, kvar, kVA: what bills use, however large.
    Kilo,
}

impl Prefix {
    /// The prefix that suits a report with this peak, in VA.
    pub fn for_peak(peak_va: f64) -> Prefix {
        if peak_va < 1000.0 { Prefix::One } else { Prefix::Kilo }
    }

    /// A unit with the prefix.
    pub fn unit(self, unit: &str) -> String {
        match self {
            Prefix::One => unit.to_owned(),
            Prefix::Kilo => format!("k{unit}"),
        }
    }

    fn scaled(self, x: f64) -> f64 {
        match self {
            Prefix::One => x,
            Prefix::Kilo => x / 1000.0,
        }
    }

    /// A number in the prefixed unit, without the unit.
    pub fn number(self, x: f64) -> String {
        four_digits(self.scaled(x))
    }

    /// The same, or a dash.
    pub fn number_or_none(self, x: Option<f64>) -> String {
        x.map_or_else(|| NONE.to_owned(), |x| self.number(x))
    }

    /// A number with its unit: `134.4 kW`.
    pub fn with(self, x: f64, unit: &str) -> String {
        format!("{} {}", self.number(x), self.unit(unit))
    }

    /// A number with its unit and three digits, for sentences: `16.5 kvar`.
    pub fn say(self, x: f64, unit: &str) -> String {
        format!("{} {}", three_digits(self.scaled(x)), self.unit(unit))
    }

    /// An energy with its unit, whole from 100 on: `7 340 kWh`.
    pub fn energy(self, x: f64, unit: &str) -> String {
        format!("{} {}", self.energy_number(x), self.unit(unit))
    }

    /// An energy without its unit.
    pub fn energy_number(self, x: f64) -> String {
        let x = self.scaled(x);
        if x.abs() < 99.995 { four_digits(x) } else { grouped(x) }
    }
}

/// Four digits, at most three of them after the point: `134.4`, `0.052`, `1025`.
pub fn four_digits(x: f64) -> String {
    let a = x.abs();
    let decimals = if a < 9.9995 {
        2 + usize::from(a < 0.9995)
    } else if a < 99.995 {
        2
    } else {
        usize::from(a < 999.95)
    };
    let text = format!("{x:.decimals$}");
    // Nothing rounds to minus nothing, and nothing needs no decimals.
    if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') {
        return "0".to_owned();
    }
    if a >= 9999.5 { grouped(x) } else { text }
}

/// Three digits, at most two of them after the point: `16.5`, `0.35`, `134`.
pub fn three_digits(x: f64) -> String {
    let a = x.abs();
    let decimals = usize::from(a < 9.995) + usize::from(a < 99.95);
    let text = format!("{x:.decimals$}");
    if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') {
        return "0".to_owned();
    }
    if a >= 999.5 { grouped(x) } else { text }
}

/// A whole number in groups of three: `1 025 021`.
pub fn grouped(x: f64) -> String {
    let digits = format!("{:.0}", x.abs());
    let mut out = String::new();
    for (k, c) in digits.chars().enumerate() {
        if k > 0 && (digits.len() - k).is_multiple_of(3) {
            out.push(' ');
        }
        out.push(c);
    }
    if x < 0.0 && digits != "0" { format!("-{out}") } else { out }
}

/// A power factor with three digits, or a dash.
pub fn pf(x: Option<f64>) -> String {
    x.map_or_else(|| NONE.to_owned(), |x| format!("{x:.3}"))
}

/// A share as percent; small and nearly whole shares keep a decimal and are never rounded to all or nothing.
pub fn percent(share: f64) -> String {
    let p = share * 100.0;
    if p == 0.0 || p == 100.0 {
        return format!("{p:.0} %");
    }
    if p < -0.05 {
        return format!("-{}", percent(-share));
    }
    if p < 0.05 {
        return "under 0.1 %".to_owned();
    }
    if p > 99.95 && p < 100.0 {
        return "over 99.9 %".to_owned();
    }
    if (10.0..99.0).contains(&p) { format!("{p:.0} %") } else { format!("{p:.1} %") }
}

/// A share as percent, or a dash.
pub fn percent_or_none(share: Option<f64>) -> String {
    share.map_or_else(|| NONE.to_owned(), percent)
}

/// A length of time in the unit that suits it: `2.5 s`, `14 min`, `3 h 05 min`, `2 d 4 h`.
pub fn span(seconds: f64) -> String {
    if seconds < 59.5 {
        return if seconds == 0.0 || seconds >= 9.95 {
            format!("{seconds:.0} s")
        } else {
            format!("{seconds:.1} s")
        };
    }
    let minutes = (seconds / 60.0).round() as u64;
    let (h, m) = (minutes / 60, minutes % 60);
    match (h / 24, h % 24) {
        (0, 0) => format!("{m} min"),
        (0, h) if m == 0 => format!("{h} h"),
        (0, h) => format!("{h} h {m:02} min"),
        (d, 0) => format!("{d} d"),
        (d, h) => format!("{d} d {h} h"),
    }
}

/// A count with its noun: `1 record`, `2 records`.
pub fn count(n: u64, one: &str, many: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{} {many}", grouped(n as f64)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_carry_meaning() {
        for (x, text) in [
            (134.447, "134.4"),
            (1025.4, "1025"),
            (12_345.6, "12 346"),
            (9.876, "9.88"),
            (99.996, "100.0"),
            (16.499, "16.50"),
            (0.0521, "0.052"),
            (-37.09, "-37.09"),
            (0.0, "0"),
            (-0.0001, "0"),
            (999.96, "1000"),
        ] {
            assert_eq!(four_digits(x), text);
        }
        assert_eq!(grouped(1_025_021.2), "1 025 021");
        assert_eq!(grouped(-7340.0), "-7 340");
        assert_eq!(Prefix::Kilo.with(134_447.0, "W"), "134.4 kW");
        assert_eq!(Prefix::for_peak(300.0).with(12.0, "var"), "12.00 var");
        assert_eq!(Prefix::Kilo.energy(7_340_220.0, "Wh"), "7 340 kWh");
        assert_eq!(Prefix::Kilo.energy_number(988_312.0), "988");
        assert_eq!(Prefix::Kilo.energy_number(83_812.0), "83.81");
        assert_eq!(Prefix::Kilo.number_or_none(None), NONE);
        for (x, text) in
            [(16.499, "16.5"), (134.4, "134"), (0.352, "0.35"), (9.999, "10.0"), (-0.001, "0")]
        {
            assert_eq!(three_digits(x), text);
        }
    }

    #[test]
    fn nearly_all_is_not_all() {
        for (x, text) in [
            (1.0, "100 %"),
            (0.99999, "over 99.9 %"),
            (0.9953, "99.5 %"),
            (0.927, "93 %"),
            (0.0, "0 %"),
            (0.0004, "under 0.1 %"),
            (0.031, "3.1 %"),
        ] {
            assert_eq!(percent(x), text);
        }
        assert_eq!(pf(None), NONE);
    }

    #[test]
    fn times_read_like_times() {
        for (s, text) in [
            (0.0, "0 s"),
            (2.5, "2.5 s"),
            (45.0, "45 s"),
            (840.0, "14 min"),
            (11_100.0, "3 h 05 min"),
            (7200.0, "2 h"),
            (604_800.0, "7 d"),
            (187_200.0, "2 d 4 h"),
        ] {
            assert_eq!(span(s), text);
        }
        assert_eq!(count(1, "record", "records"), "1 record");
        assert_eq!(count(10_080, "record", "records"), "10 080 records");
    }
}
