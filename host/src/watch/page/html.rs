//! The page as HTML: complete without its script, which only keeps it fresh.

use super::words::{self, Glance, titled};
use crate::present::chart::ink;
use crate::present::chart::svg::escape;
use crate::present::locale::Locale;
use crate::site::Site;
use crate::watch::config::WatchTerms;
use crate::watch::state::StationState;
use std::collections::HashMap;
use std::fmt::Write;

/// Style of the page.
pub const STYLE: &str = include_str!("watch.css");

/// Script of the page: replaces words by those that the server sends.
pub const SCRIPT: &str = include_str!("watch.js");

/// A text with what HTML reserves replaced.
pub fn safe(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    escape(&mut out, text);
    out
}

/// The list of alarms of a node, standing first, then what is over.
pub fn alarms(s: &StationState, when: &dyn Fn(i64) -> String) -> String {
    let mut out = String::new();
    if s.standing.is_empty() {
        out.push_str("<p>No alarm stands.</p>");
    }
    for a in s.standing.iter().rev() {
        let _ = write!(
            out,
            "<article class=\"alarm\"><h4>{}</h4><p class=\"when\">Since {}</p><p>{}</p>\
             <p><strong>First:</strong> {}</p></article>",
            safe(&titled(a)),
            safe(&when(a.since_ms)),
            safe(&a.evidence),
            safe(a.kind.check_first())
        );
    }
    let mut over = s.changes.iter().filter_map(|a| Some((a, a.cleared_ms?))).take(10).peekable();
    if over.peek().is_some() {
        out.push_str("<details><summary>Over</summary>");
        for (a, cleared_ms) in over {
            let _ = write!(
                out,
                "<p>{}: {} to {}. {}</p>",
                safe(&titled(a)),
                safe(&when(a.raised_ms)),
                safe(&when(cleared_ms)),
                safe(&a.evidence)
            );
        }
        out.push_str("</details>");
    }
    out
}

/// Everything that a drawing of the page needs.
pub struct View<'a> {
    /// The plant.
    pub site: &'a Site,
    /// How the watch goes about it.
    pub terms: &'a WatchTerms,
    /// How numbers are written.
    pub locale: &'a Locale,
    /// Pictures by their place.
    pub pictures: HashMap<String, String>,
    /// Unix milliseconds.
    pub now_ms: i64,
    /// An instant as the plant's clocks show it.
    pub when: &'a dyn Fn(i64) -> String,
}

/// The whole page.
pub fn page(stations: &[StationState], view: &View<'_>) -> String {
    let plant = view.site.name.as_deref().unwrap_or("Watch");
    let worst = stations.iter().map(Glance::of).max().unwrap_or(Glance::Unknown);
    let mut out = String::with_capacity(64 * 1024);
    let _ = write!(
        out,
        "<!DOCTYPE html><html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta name=\"color-scheme\" content=\"light dark\"><title>{plant}: {state}</title>\
         <link rel=\"icon\" href=\"data:,\">\
         <style>:root{{{light}}}@media (prefers-color-scheme:dark){{:root{{{dark}}}}}{rules}{STYLE}</style>\
         <noscript><meta http-equiv=\"refresh\" content=\"10\"></noscript></head><body>\
         <a class=\"skip\" href=\"#readings\">To the readings</a>\
         <header><p class=\"plant\">{plant}</p>\
         <p id=\"glance\" class=\"glance {class}\" role=\"status\" aria-live=\"polite\">\
         <span id=\"glance-sign\" class=\"sign\" aria-hidden=\"true\">{sign}</span> \
         <span id=\"glance-words\">{headline}</span></p>\
         <p id=\"fresh\" class=\"fresh\">{now}</p></header><main id=\"readings\">",
        plant = safe(plant),
        state = safe(&words::headline(stations)),
        light = ink::variables(false),
        dark = ink::variables(true),
        rules = ink::rules(),
        class = worst.class(),
        sign = worst.sign(),
        headline = safe(&words::headline(stations)),
        now = safe(&(view.when)(view.now_ms)),
    );
    for (k, s) in stations.iter().enumerate() {
        node(&mut out, k, s, view);
    }
    let _ = write!(
        out,
        "</main><footer><p>This page only shows; it changes nothing. Open panels are for qualified \
         persons: de-energise, lock out, test; capacitors hold charge. Local codes decide.</p>\
         </footer><script>{SCRIPT}</script></body></html>"
    );
    out
}

fn node(out: &mut String, k: usize, s: &StationState, view: &View<'_>) {
    let words: HashMap<String, String> =
        words::station(k, s, view.terms, view.locale, view.now_ms).into_iter().collect();
    let word = |id: &str| {
        let id = format!("n{k}-{id}");
        let text = words.get(&id).map_or(words::NONE, String::as_str);
        format!("<span id=\"{id}\">{}</span>", safe(text))
    };
    let picture = |id: &str, none: &str| {
        let id = format!("n{k}-{id}");
        let svg = view.pictures.get(&id).cloned().unwrap_or_else(|| format!("<p>{none}</p>"));
        format!("<div id=\"{id}\" class=\"picture\">{svg}</div>")
    };
    let _ = write!(
        out,
        "<section aria-labelledby=\"h{k}\"><h2 id=\"h{k}\"><span class=\"sign\" aria-hidden=\"true\">{}</span> {}</h2>",
        word("sign"),
        word("name")
    );
    out.push_str("<dl class=\"totals\">");
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
        "</dl><p><strong>Demand of this interval is heading for</strong> {}</p>",
        word("demand")
    );
    let _ = write!(out, "<h3>Alarms</h3><div id=\"n{k}-alarms\">{}</div>", alarms(s, view.when));
    let _ = write!(
        out,
        "<h3>Phases</h3><div class=\"scroll\"><table><thead><tr><td></td><th scope=\"col\">V</th>\
         <th scope=\"col\">A</th><th scope=\"col\">kW</th><th scope=\"col\">kvar</th>\
         <th scope=\"col\">Power factor</th></tr></thead><tbody>"
    );
    for phase in 1..=3 {
        let _ = write!(out, "<tr><th scope=\"row\">L{phase}</th>");
        for id in ["v", "i", "p", "q", "pf"] {
            let _ = write!(out, "<td>{}</td>", word(&format!("{phase}{id}")));
        }
        out.push_str("</tr>");
    }
    let _ = write!(
        out,
        "</tbody></table></div><p>Frequency {} Hz. Remarks: {}</p>",
        word("f"),
        word("flags")
    );
    let _ = write!(
        out,
        "<div class=\"pair\"><figure><figcaption>Phasors</figcaption>{}</figure>\
         <figure><figcaption>Waveforms</figcaption>{}</figure></div>",
        picture("phasors", "They come while the page is open."),
        picture("waves", "They come while the page is open.")
    );
    for (id, title) in [("day", "The last 24 hours"), ("week", "The last 7 days")] {
        let _ = write!(
            out,
            "<figure><figcaption>{title}</figcaption>{}</figure>",
            picture(id, "No records yet.")
        );
    }
    let _ = write!(
        out,
        "<h3>Node and log</h3><dl class=\"facts\"><div><dt>Link</dt><dd>{}</dd></div>\
         <div><dt>Newest record</dt><dd>{}</dd></div><div><dt>Last pull</dt><dd>{}</dd></div>\
         <div><dt>Clock</dt><dd>{}</dd></div><div><dt>Records</dt><dd>{}; {} lost</dd></div></dl>\
         </section>",
        word("link"),
        word("newest"),
        word("pulled"),
        word("clock"),
        word("records"),
        word("lost")
    );
}
