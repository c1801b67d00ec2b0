//! The colours of every chart: chosen to differ in lightness first, so that grey print keeps them.

/// What a mark stands for; the colour follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    /// Words and numbers.
    Text,
    /// Lesser words: units, ticks.
    Quiet,
    /// Axes and outlines.
    Axis,
    /// Lines across the plot.
    Grid,
    /// The background, for halos and gaps between bars.
    Paper,
    /// Shade for nights, days off, or nothing recorded.
    Shade,
    /// Active power, phase L1, "before".
    Active,
    /// Reactive power, phase L2, what is wrong.
    Reactive,
    /// Apparent power, phase L3, "after".
    Apparent,
    /// Limits and targets.
    Limit,
}

impl Ink {
    /// Every ink.
    pub const ALL: [Ink; 10] = [
        Ink::Text,
        Ink::Quiet,
        Ink::Axis,
        Ink::Grid,
        Ink::Paper,
        Ink::Shade,
        Ink::Active,
        Ink::Reactive,
        Ink::Apparent,
        Ink::Limit,
    ];

    /// The inks of series: they must stay apart for every eye.
    pub const SERIES: [Ink; 3] = [Ink::Active, Ink::Reactive, Ink::Apparent];

    /// Its name in style sheets.
    pub const fn name(self) -> &'static str {
        match self {
            Ink::Text => "text",
            Ink::Quiet => "quiet",
            Ink::Axis => "axis",
            Ink::Grid => "grid",
            Ink::Paper => "paper",
            Ink::Shade => "shade",
            Ink::Active => "active",
            Ink::Reactive => "reactive",
            Ink::Apparent => "apparent",
            Ink::Limit => "limit",
        }
    }

    /// On paper and light screens.
    pub const fn light(self) -> &'static str {
        match self {
            Ink::Text => "#1d2329",
            Ink::Quiet => "#56606a",
            Ink::Axis => "#79838d",
            Ink::Grid => "#dfe3e6",
            Ink::Paper => "#ffffff",
            Ink::Shade => "#f1f3f4",
            Ink::Active => "#0d2a43",
            Ink::Reactive => "#a64a0a",
            Ink::Apparent => "#6fa695",
            Ink::Limit => "#8c1d40",
        }
    }

    /// On dark screens.
    pub const fn dark(self) -> &'static str {
        match self {
            Ink::Text => "#e8ebee",
            Ink::Quiet => "#a9b3bc",
            Ink::Axis => "#8b959e",
            Ink::Grid => "#353c43",
            Ink::Paper => "#15191d",
            Ink::Shade => "#20262c",
            Ink::Active => "#c3dcf2",
            Ink::Reactive => "#ef8236",
            Ink::Apparent => "#437565",
            Ink::Limit => "#f08aa8",
        }
    }
}

/// Definitions of the colours as CSS variables `--c-NAME`.
pub fn variables(dark: bool) -> String {
    Ink::ALL
        .iter()
        .map(|i| format!("--c-{}:{};", i.name(), if dark { i.dark() } else { i.light() }))
        .collect()
}

/// Rules that give the classes `s-NAME` (stroke) and `f-NAME` (fill) of an SVG their colours.
pub fn rules() -> String {
    Ink::ALL
        .iter()
        .map(|i| {
            let n = i.name();
            format!(".s-{n}{{stroke:var(--c-{n})}}.f-{n}{{fill:var(--c-{n})}}")
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    type Rgb = [f64; 3];

    /// Linear light of sRGB (IEC 61966-2-1).
    fn linear(hex: &str) -> Rgb {
        std::array::from_fn(|k| {
            let part = u8::from_str_radix(&hex[1 + 2 * k..3 + 2 * k], 16).unwrap();
            let c = f64::from(part) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { libm::pow((c + 0.055) / 1.055, 2.4) }
        })
    }

    fn luminance(c: Rgb) -> f64 {
        0.2126 * c[0] + 0.7152 * c[1] + 0.0722 * c[2]
    }

    /// Contrast ratio of WCAG 2.1, definition "contrast ratio".
    fn contrast(a: Rgb, b: Rgb) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        f64::max(a, b) / f64::min(a, b)
    }

    /// Words reach AA (4.5), series and limits the 3 of graphics (WCAG 2.1, 1.4.3 and 1.4.11);
    /// the lightest series is also outlined where it fills.
    #[test]
    fn words_and_marks_stand_out_from_the_paper() {
        for get in [Ink::light, Ink::dark] {
            let paper = linear(get(Ink::Paper));
            for (ink, least) in [
                (Ink::Text, 7.0),
                (Ink::Quiet, 4.5),
                (Ink::Axis, 3.0),
                (Ink::Active, 4.5),
                (Ink::Reactive, 4.5),
                (Ink::Apparent, 2.7),
                (Ink::Limit, 4.5),
            ] {
                let found = contrast(linear(get(ink)), paper);
                assert!(found >= least, "{ink:?}: {found:.2}");
            }
            let shade = linear(get(Ink::Shade));
            assert!(contrast(linear(get(Ink::Quiet)), shade) >= 4.5);
        }
    }

    /// In grey, any two series differ by a contrast of 1.6 or more.
    #[test]
    fn series_differ_in_lightness_alone() {
        for get in [Ink::light, Ink::dark] {
            for (k, a) in Ink::SERIES.iter().enumerate() {
                for b in &Ink::SERIES[..k] {
                    let found = contrast(linear(get(*a)), linear(get(*b)));
                    assert!(found >= 1.6, "{a:?} and {b:?}: {found:.2}");
                }
            }
        }
    }

    /// What the three kinds of colour blindness see stays apart. Matrices on linear RGB after
    /// Viénot, Brettel and Mollon 1999 (red, green) and a copy of that form for blue; from memory.
    #[test]
    fn series_differ_for_colour_blind_eyes() {
        let kinds: [[Rgb; 3]; 3] = [
            [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
            [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
            [[1.0, 0.14461, -0.14461], [0.0, 0.85924, 0.14076], [0.0, 0.85924, 0.14076]],
        ];
        for get in [Ink::light, Ink::dark] {
            for m in &kinds {
                let seen = |ink: Ink| -> Rgb {
                    let c = linear(get(ink));
                    std::array::from_fn(|r| (0..3).map(|k| m[r][k] * c[k]).sum::<f64>().max(0.0))
                };
                for (k, a) in Ink::SERIES.iter().enumerate() {
                    for b in &Ink::SERIES[..k] {
                        let found = contrast(seen(*a), seen(*b));
                        assert!(found >= 1.5, "{a:?} and {b:?}: {found:.2}");
                    }
                }
            }
        }
    }
}
