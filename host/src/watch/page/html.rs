//! The page as HTML: complete without its script, which only keeps it fresh.

use super::words::{self, Glance, titled};
use crate::present::chart::ink;
use crate::present::chart::svg::escape;
use crate::present::locale::Locale;
use crate::watch::config::WatchTerms;
use crate::watch::state::StationState;
use std::collections::HashMap;
use std::fmt::Write;

/// Style of the page.
pub const STYLE: &str = include_str!("watch.css");

/// Script of the page: replaces words by those that the server sends.
pub const SCRIPT: &str = include_str!("watch.js");

/// Alarms that are over and still listed.
const OVER: usize = 10;

/// A text with what HTML reserves replaced.
pub fn safe(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    escape(&mut out, text);
    out
}

/// The alarms of a node that stand, the most urgent first; nothing where none does.
pub fn standing(s: &StationState, l: &Locale, when: &dyn Fn(i64) -> String) -> String {
    let standing = words::ordered(s);
    if standing.is_empty() {
        return String::new();
    }
    let mut out = "<ul class=\"alarms\">".to_owned();
    for a in &standing {
        let _ = write!(
            out,
            "<li class=\"alarm\"><p><strong>{}</strong></p><p>{}</p>\
             <p><strong>Check first:</strong> {}</p><p class=\"when\">Since {}</p></li>",
            safe(&titled(a)),
            safe(&l.localise(&a.evidence)),
            safe(a.kind.check_first()),
            safe(&when(a.since_ms)),
        );
    }
    out + "</ul>"
}

/// The alarms of a node: standing ones, then what is over.
pub fn alarms(s: &StationState, l: &Locale, when: &dyn Fn(i64) -> String) -> String {
    let mut out = standing(s, l, when);
    if out.is_empty() {
        out.push_str("<p>No alarm stands.</p>");
    }
    let over: Vec<_> =
        s.changes.iter().filter_map(|a| Some((a, a.cleared_ms?))).take(OVER).collect();
    if !over.is_empty() {
        let _ = write!(out, "<details><summary>Alarms that are over: {}</summary><ul>", over.len());
        for (a, cleared_ms) in over {
            let _ = write!(
                out,
                "<li>{}, {} to {}. {}</li>",
                safe(&titled(a)),
                safe(&when(a.raised_ms)),
                safe(&when(cleared_ms)),
                safe(&l.localise(&a.evidence))
            );
        }
        out.push_str("</ul></details>");
    }
    out
}

/// Everything that a drawing of the page needs.
pub struct Sheet<'a> {
    /// Name of the plant.
    pub plant: &'a str,
    /// How the watch goes about it.
    pub terms: &'a WatchTerms,
    /// How numbers are written.
    pub locale: &'a Locale,
    /// Words by their place.
    pub words: HashMap<String, String>,
    /// Places that are hidden.
    pub absent: Vec<String>,
    /// Pictures by their place.
    pub pictures: HashMap<String, String>,
    /// Unix milliseconds.
    pub now_ms: i64,
    /// An instant as the plant's clocks show it.
    pub when: &'a dyn Fn(i64) -> String,
    /// The node that is shown; none: all in short.
    pub node: Option<usize>,
    /// Stamp of the pictures of the log that are in the page.
    pub stamp: u64,
}

/// The whole page.
pub fn page(stations: &[StationState], sheet: &Sheet<'_>) -> String {
    let (t, now_ms) = (sheet.terms, sheet.now_ms);
    let shown = match sheet.node.and_then(|k| stations.get(k)) {
        Some(one) => std::slice::from_ref(one),
        None => stations,
    };
    let worst = shown.iter().map(|s| Glance::of(s, t, now_ms)).max().unwrap_or(Glance::Unknown);
    let headline = words::headline(shown, t, now_ms);
    let query = match sheet.node {
        Some(k) => format!("live?node={}&amp;drawn={}", k + 1, sheet.stamp),
        None => "live".to_owned(),
    };
    let mut out = String::with_capacity(64 * 1024);
    let _ = write!(
        out,
        "<!DOCTYPE html><html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta name=\"color-scheme\" content=\"light dark\"><title>{headline} \u{2013} {plant}</title>\
         <link rel=\"icon\" href=\"data:,\">\
         <style>:root{{{light}}}@media (prefers-color-scheme:dark){{:root{{{dark}}}}}{rules}{STYLE}</style>\
         <noscript><meta http-equiv=\"refresh\" content=\"10\"></noscript>\
         <script src=\"watch.js\" defer></script></head>\
         <body data-live=\"{query}\" data-plant=\"{plant}\">\
         <a class=\"skip\" href=\"#readings\">To the readings</a>\
         <header><h1>{plant}</h1>",
        plant = safe(sheet.plant),
        headline = safe(&headline),
        light = ink::variables(false),
        dark = ink::variables(true),
        rules = ink::rules(),
    );
    if sheet.node.is_some() && stations.len() > 1 {
        out.push_str("<nav aria-label=\"Nodes\"><a href=\"./\">All nodes</a></nav>");
    }
    let _ = write!(
        out,
        "<p id=\"glance\" class=\"glance {class}\" role=\"status\">\
         <span id=\"glance-sign\" class=\"sign\" aria-hidden=\"true\">{sign}</span> \
         <span id=\"glance-words\">{headline}</span></p>\
         <p id=\"fresh\" class=\"fresh\">{fresh}</p></header><main id=\"readings\" tabindex=\"-1\">",
        class = worst.class(),
        sign = worst.sign(),
        headline = safe(&headline),
        fresh = safe(sheet.words.get("fresh").map_or("", String::as_str)),
    );
    match sheet.node {
        Some(k) => {
            if let Some(s) = stations.get(k) {
                node(&mut out, k, s, sheet);
            }
        }
        None => overview(&mut out, stations, sheet),
    }
    out.push_str(
        "</main><footer><p>This page only shows; it changes nothing. Open panels are for qualified \
         persons: de-energise, lock out, test; capacitors hold charge. Local codes decide.</p>\
         </footer></body></html>",
    );
    out
}

impl Sheet<'_> {
    fn word(&self, k: usize, id: &str) -> String {
        let id = format!("n{k}-{id}");
        let text = self.words.get(&id).map_or(words::NONE, String::as_str);
        format!("<span id=\"{id}\">{}</span>", safe(text))
    }

    fn picture(&self, k: usize, id: &str, none: &str) -> String {
        let id = format!("n{k}-{id}");
        let drawn = self.pictures.get(&id).cloned();
        let drawn = drawn.unwrap_or_else(|| format!("<p class=\"told\">{none}</p>"));
        format!("<div id=\"{id}\" class=\"picture\">{drawn}</div>")
    }

    fn hidden(&self, k: usize, id: &str) -> &'static str {
        let id = format!("n{k}-{id}");
        if self.absent.contains(&id) { " hidden" } else { "" }
    }
}

/// All nodes in short, each with the alarms that stand.
fn overview(out: &mut String, stations: &[StationState], sheet: &Sheet<'_>) {
    out.push_str(
        "<section aria-labelledby=\"nodes\"><h2 id=\"nodes\">Nodes</h2><ul class=\"nodes\">",
    );
    for (k, s) in stations.iter().enumerate() {
        let word = |id: &str| sheet.word(k, id);
        let _ = write!(
            out,
            "<li><h3><a href=\"?node={}\"><span class=\"sign\" aria-hidden=\"true\">{}</span> {}</a></h3>\
             <p>{}</p><dl class=\"short\"><div><dt>Active power</dt><dd>{} kW</dd></div>\
             <div><dt>Reactive power</dt><dd>{} kvar</dd></div>\
             <div><dt>Power factor</dt><dd>{}</dd></div>\
             <div><dt>Demand, heading for</dt><dd>{}</dd></div></dl>\
             <div id=\"n{k}-alarms\">{}</div></li>",
            k + 1,
            word("sign"),
            word("name"),
            word("state"),
            word("p"),
            word("q"),
            word("pf"),
            word("heading"),
            standing(s, sheet.locale, sheet.when)
        );
    }
    out.push_str("</ul></section>");
}

/// One node in full.
fn node(out: &mut String, k: usize, s: &StationState, sheet: &Sheet<'_>) {
    let word = |id: &str| sheet.word(k, id);
    let _ = write!(
        out,
        "<section aria-labelledby=\"h{k}\"><h2 id=\"h{k}\">{}</h2><dl class=\"totals\">",
        word("name")
    );
    for (title, id, unit) in [
        ("Active power", "p", "kW"),
        ("Reactive power", "q", "kvar"),
        ("Apparent power", "s", "kVA"),
        ("Power factor", "pf", ""),
    ] {
        let _ =
            write!(out, "<div><dt>{title}</dt><dd>{} <small>{unit}</small></dd></div>", word(id));
    }
    let _ = write!(
        out,
        "</dl></section><section aria-labelledby=\"a{k}\"><h2 id=\"a{k}\">Alarms</h2>\
         <div id=\"n{k}-alarms\">{}</div></section>",
        alarms(s, sheet.locale, sheet.when)
    );
    let _ = write!(
        out,
        "<section aria-labelledby=\"d{k}\"><h2 id=\"d{k}\">Demand of this interval</h2>\
         <p>{}</p>{}<p class=\"told\">{}</p></section>",
        word("demand"),
        sheet.picture(k, "bar", ""),
        word("interval")
    );
    phases(out, k, sheet);
    let _ = write!(
        out,
        "<section aria-labelledby=\"w{k}\"><h2 id=\"w{k}\">Phasors and waveforms</h2>\
         <div class=\"pair\"><figure><figcaption>Phasors</figcaption>{}</figure>\
         <figure><figcaption>Waveforms</figcaption>{}</figure></div></section>",
        sheet.picture(k, "phasors", "They come while the page is open."),
        sheet.picture(k, "waves", "They come while the page is open.")
    );
    let _ = write!(out, "<section aria-labelledby=\"l{k}\"><h2 id=\"l{k}\">Day and week</h2>");
    for (id, title) in [("day", "The last 24 hours"), ("week", "The last 7 days")] {
        let _ = write!(
            out,
            "<figure><figcaption>{title}</figcaption>{}</figure>",
            sheet.picture(k, id, "No records yet.")
        );
    }
    out.push_str("</section>");
    // The script shows the place once a proof is there.
    let proof = sheet.pictures.get(&format!("n{k}-proof"));
    let _ = write!(
        out,
        "<section aria-labelledby=\"c{k}\"{}><h2 id=\"c{k}\">The correction</h2>\
         <div id=\"n{k}-proof\">{}</div></section>",
        if proof.is_some() { "" } else { " hidden" },
        proof.map_or("", String::as_str)
    );
    let _ = write!(
        out,
        "<section aria-labelledby=\"g{k}\"><h2 id=\"g{k}\">Node and log</h2><dl class=\"facts\">"
    );
    for (title, id) in [
        ("Link", "link"),
        ("Newest record", "newest"),
        ("Last pull", "pulled"),
        ("Records", "records"),
        ("Clock of the node", "clock"),
        ("Running", "runs"),
        ("Log of the node", "held"),
        ("Faults", "faults"),
    ] {
        let _ = write!(out, "<div><dt>{title}</dt><dd>{}</dd></div>", word(id));
    }
    out.push_str("</dl></section>");
}

/// Readings of the phases, and their distortion.
fn phases(out: &mut String, k: usize, sheet: &Sheet<'_>) {
    let word = |id: &str| sheet.word(k, id);
    let _ = write!(
        out,
        "<section aria-labelledby=\"p{k}\"><h2 id=\"p{k}\">Phases</h2>\
         <table aria-labelledby=\"p{k}\"><thead><tr><th scope=\"col\">Phase</th>\
         <th scope=\"col\">V</th><th scope=\"col\">A</th><th scope=\"col\">kW</th>\
         <th scope=\"col\">kvar</th><th scope=\"col\">Power factor</th></tr></thead><tbody>"
    );
    for n in 1..=3 {
        let hidden = sheet.hidden(k, &format!("row{n}"));
        let _ = write!(out, "<tr id=\"n{k}-row{n}\"{hidden}><th scope=\"row\">L{n}</th>");
        for id in ["v", "i", "p", "q", "pf"] {
            let _ = write!(out, "<td>{}</td>", word(&format!("{n}{id}")));
        }
        out.push_str("</tr>");
    }
    let _ = write!(
        out,
        "</tbody></table><p>Frequency {} Hz. Remarks: {}.</p>\
         <h3 id=\"t{k}\">Harmonic distortion (THD)</h3><p class=\"told\">Of the record that ended at {}.</p>\
         <table class=\"small\" aria-labelledby=\"t{k}\"><thead><tr><th scope=\"col\">Phase</th>\
         <th scope=\"col\">Voltage, %</th><th scope=\"col\">Current, %</th></tr></thead><tbody>",
        word("f"),
        word("flags"),
        word("thd-of")
    );
    for n in 1..=3 {
        let _ = write!(
            out,
            "<tr id=\"n{k}-thd{n}\"{}><th scope=\"row\">L{n}</th><td>{}</td><td>{}</td></tr>",
            sheet.hidden(k, &format!("thd{n}")),
            word(&format!("{n}vd")),
            word(&format!("{n}id"))
        );
    }
    out.push_str("</tbody></table></section>");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::present::chart::Ink;

    /// Declarations of the style sheet: selector, property, value.
    fn declarations() -> Vec<(String, String, String)> {
        let mut all = Vec::new();
        // The rules within @media are rules like others.
        let flat = STYLE.replace("@media (max-width:34rem){", "");
        for rule in flat.split('}') {
            let Some((selector, body)) = rule.split_once('{') else { continue };
            for declaration in body.split(';') {
                let Some((property, value)) = declaration.split_once(':') else { continue };
                let part = |s: &str| s.trim().to_owned();
                all.push((part(selector), part(property), part(value)));
            }
        }
        all
    }

    /// Linear light of sRGB as WCAG 2.2 defines relative luminance.
    fn luminance(hex: &str) -> f64 {
        let part = |k: usize| {
            let c = f64::from(u8::from_str_radix(&hex[1 + 2 * k..3 + 2 * k], 16).unwrap()) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { libm::pow((c + 0.055) / 1.055, 2.4) }
        };
        0.2126 * part(0) + 0.7152 * part(1) + 0.0722 * part(2)
    }

    /// Contrast ratio of WCAG 2.2.
    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        f64::max(a, b) / f64::min(a, b)
    }

    fn ink(value: &str) -> Ink {
        let name = value.split("var(--c-").nth(1).and_then(|v| v.split(')').next()).unwrap();
        Ink::ALL.into_iter().find(|i| i.name() == name).unwrap_or_else(|| panic!("{value}"))
    }

    /// Every colour of words against every ground that it can stand on, in both schemes: 4.5 (WCAG
    /// 2.2, 1.4.3); every edge, outline and mark that tells something: 3 (1.4.11).
    #[test]
    fn every_pair_of_colours_has_contrast_enough() {
        let all = declarations();
        assert!(all.len() > 100, "the style sheet is not understood");
        // Colours come from the inks only, so that light and dark follow.
        for (selector, property, value) in &all {
            assert!(!value.contains('#') && !value.contains("rgb"), "{selector}: {property}");
            assert!(property != "opacity", "{selector} fades words");
        }
        let of = |property: &str| {
            let property = property.to_owned();
            all.iter().filter(move |d| d.1 == property).map(|d| (d.0.as_str(), ink(&d.2)))
        };
        let grounds: Vec<_> = of("background").collect();
        let words: Vec<_> = of("color").collect();
        assert!(grounds.len() >= 3 && words.len() >= 8);
        let ground_of = |s: &str| grounds.iter().find(|g| g.0 == s).map(|g| g.1);
        for (scheme, get) in [("light", Ink::light as fn(Ink) -> &'static str), ("dark", Ink::dark)]
        {
            for (selector, colour) in &words {
                // A rule with its own ground is alone with it; others can be on paper or shade.
                let on = match ground_of(selector) {
                    Some(own) => vec![own],
                    None => vec![Ink::Paper, Ink::Shade],
                };
                for ground in on {
                    let found = contrast(get(*colour), get(ground));
                    assert!(found >= 4.5, "{scheme}, {selector} on {ground:?}: {found:.2}");
                }
            }
            for (selector, property, value) in &all {
                // Lines between parts only please the eye.
                let edge = property.starts_with("border") || property == "outline";
                if !edge || !value.contains("var(") || ink(value) == Ink::Grid {
                    continue;
                }
                let found = contrast(get(ink(value)), get(Ink::Paper));
                assert!(found >= 3.0, "{scheme}, {selector} {property}: {found:.2}");
            }
        }
    }

    /// Names from outside cannot put anything into the page.
    #[test]
    fn names_are_words_and_nothing_else() {
        let evil = "<script>alert(1)</script>\"'&";
        let mut s = StationState { feeder: evil.to_owned(), ..StationState::default() };
        s.address = "tcp:x:1".to_owned();
        let terms = WatchTerms::default();
        let words = words::station(0, &s, &terms, &Locale::METRIC, 0, &|_| String::new());
        for node in [Some(0), None] {
            let text = page(
                &[s.clone(), s.clone()],
                &Sheet {
                    plant: evil,
                    terms: &terms,
                    locale: &Locale::METRIC,
                    words: words.clone().into_iter().collect(),
                    absent: Vec::new(),
                    pictures: HashMap::new(),
                    now_ms: 0,
                    when: &|_| String::new(),
                    node,
                    stamp: 0,
                },
            );
            assert!(!text.contains("<script>alert"), "{text}");
            assert!(text.contains("&lt;script&gt;alert(1)"), "{text}");
            // Attributes are ended by double quotes only.
            assert!(!text.contains("data-plant=\"<"), "{text}");
        }
    }
}
