//! Scenario files that cannot be used: each error names file, line and key, and says what to do.

use wattless::bench::Scenario;
use wattless::bench::scenario::SAWMILL;

/// Changes a line of the example; gives its number, the text and the error.
fn broken(find: &str, replace: &str) -> (usize, String, String) {
    let at = SAWMILL.find(find).unwrap_or_else(|| panic!("the example has no {find:?}"));
    let line = SAWMILL[..at].matches('\n').count() + 1;
    let text = SAWMILL.replacen(find, replace, 1);
    match Scenario::parse(&text, "mill.toml") {
        Ok(_) => panic!("{replace:?} is accepted"),
        Err(e) => (line, text, e.to_string()),
    }
}

#[test]
fn impossible_values_are_refused_by_name_and_line() {
    let cases: &[(&str, &str, &[&str])] = &[
        ("rated_kw = 110.0", "rated_kw = -110.0", &["motor.rated_kw", "Log saw", "-110", "0.1"]),
        ("pf = 0.92    ", "pf = 1.2     ", &["lighting.pf", "Hall lighting", "1.2", "to 1"]),
        ("kw = 6.0", "kw = -6.0", &["heater.kw", "Office heating"]),
        ("pf_half_load = 0.78", "pf_half_load = 0.9", &["motor.pf_half_load", "0.86"]),
        ("pf_half_load = 0.78", "pf_half_load = 0.4", &["motor.pf_half_load", "pf"]),
        ("efficiency = 0.948", "efficiency = 94.8", &["motor.efficiency", "0.99"]),
        ("nominal_hz = 50.0", "nominal_hz = 400.0", &["supply.nominal_hz", "50 or 60"]),
        ("z_pct = 4.5", "z_pct = 0.0", &["supply.transformer.z_pct", "0.5"]),
        ("order = 5, pct = 1.8", "order = 1, pct = 1.8", &["supply.harmonics", "order"]),
        ("order = 7, pct = 0.9", "order = 5, pct = 0.9", &["supply.harmonics", "twice"]),
        ("interval_s = 60", "interval_s = 7", &["node.interval_s", "divisor"]),
        ("sample_rate_hz = 8000.0", "sample_rate_hz = 96000.0", &["node.sample_rate_hz", "8000"]),
        ("i1 = { gain_pct = 0.10", "i1 = { gain_pct = 80.0", &["node.errors.i1", "80"]),
        ("time_zone = \"Europe/Berlin\"", "time_zone = \"Mars/Base\"", &["plant.time_zone"]),
        ("days = 7 ", "days = 0 ", &["span.days"]),
        ("when = [\"workshop\"]", "when = [\"night\"]", &["welder.when", "night", "early"]),
        ("name = \"late\"", "name = \"early\"", &["shift.name", "another shift"]),
        ("name = \"Resaw\"", "name = \"Log saw\"", &["motor.name", "already"]),
        ("rest_s = [10.0, 40.0]", "", &["motor.work_s", "rest_s"]),
        ("work_s = [15.0, 50.0]", "work_s = [50.0, 15.0]", &["motor.work_s", "backwards"]),
        (
            "connected = \"l1\"  ",
            "connected = \"l1-l2\"\nuntil = \"2026-01-01\"\nsince = \"2026-02-01\" ",
            &["heater.until", "since"],
        ),
        (
            "kvar = 10.0",
            "kvar = 10.0\nwith = \"Steam hammer\"",
            &["capacitor.with", "Steam hammer"],
        ),
        ("kvar = 10.0", "kvar = 10.0\nstep_kvar = [5.0, 4.0]", &["capacitor.step_kvar", "9"]),
        (
            "work_s = [2.0, 12.0]\nrest_s = [10.0, 240.0]",
            "work_s = [0.2, 12.0]\nrest_s = [0.2, 240.0]",
            &["welder.work_s", "longer"],
        ),
        ("kvar = 10.0", "kvar = 10.0\ndelay_s = 4.0", &["capacitor.delay_s", "step_kvar"]),
        ("kvar = 10.0", "kvar = 10.0\ndead_since = \"2026-03-04\"", &["capacitor.dead_since"]),
        ("kvar = 10.0", "kvar = 10.0\ndead = \"three-phase\"", &["capacitor.dead"]),
    ];
    for (find, replace, words) in cases {
        let (changed, text, error) = broken(find, replace);
        // The line that the error names holds the key that it names.
        let place = error.strip_prefix("mill.toml:").and_then(|e| e.split(':').next());
        let line: usize = place.and_then(|n| n.parse().ok()).unwrap_or_else(|| panic!("{error}"));
        let key = words[0].rsplit('.').next().unwrap_or_default();
        let key = if key == "harmonics" { "order =" } else { key };
        let named = text.lines().nth(line - 1).unwrap_or_default();
        assert!(named.contains(key), "line {line} is {named:?}: {error}");
        // And it is the right one of several loads: near the change.
        assert!(line.abs_diff(changed) <= 3, "{changed}: {error}");
        for word in *words {
            assert!(error.contains(word), "{word:?} is missing: {error}");
        }
        assert!(!error.contains('\n'), "one line: {error}");
    }
}

#[test]
fn unknown_keys_wrong_types_and_bad_toml_are_refused_with_their_line() {
    let cases = [
        ("efficiency = 0.948", "eficiency = 0.948", "eficiency"),
        ("rated_kw = 110.0", "rated_kw = \"110 kW\"", "string"),
        ("wiring = \"four-wire\"", "wiring = \"star\"", "four-wire"),
        ("days = [\"mon\", \"tue\", \"wed\", \"thu\"]", "days = [\"monday\"]", "monday"),
        ("from = \"14:00\"", "from = \"26:00\"", "hour"),
        ("kva = 630.0", "kva = ", ""),
        ("[[welder]]", "[[wellder]]", "wellder"),
    ];
    for (find, replace, word) in cases {
        let (line, _, error) = broken(find, replace);
        assert!(error.starts_with(&format!("mill.toml:{line}: ")), "line {line}: {error}");
        assert!(error.contains(word), "{word:?} is missing: {error}");
    }
}

#[test]
fn wiring_limits_where_loads_may_lie() {
    let text = |wiring: &str, load: &str| {
        format!(
            "[plant]\nname = \"Brackwater Joinery\"\nfeeder = \"f\"\ntime_zone = \"UTC\"\n\
             [span]\nstart = \"2026-03-02\"\n\
             [supply]\nnominal_v = 400.0\nnominal_hz = 50.0\nwiring = \"{wiring}\"\n{load}\n"
        )
    };
    let heater = |at: &str| format!("[[heater]]\nname = \"h\"\nkw = 1.0\nconnected = \"{at}\"");
    let triplen = "[[lighting]]\nname = \"l\"\nkw = 1.0\nharmonics = [{ order = 3, pct = 9.0 }]";
    let star = "[[capacitor]]\nname = \"c\"\nkvar = 1.0\nconnected = \"star\"";
    let cases = [
        ("three-wire", heater("l1"), "no neutral"),
        ("single-phase", heater("l2"), "no such line"),
        ("split-phase", heater("l3-l1"), "no such line"),
        ("split-phase", heater("three-phase"), "fewer than three"),
        ("three-wire", triplen.into(), "needs a neutral"),
        ("three-wire", star.into(), "give delta"),
    ];
    for (wiring, load, word) in cases {
        let error = Scenario::parse(&text(wiring, &load), "a.toml").unwrap_err().to_string();
        assert!(error.contains(word) && error.contains("a.toml:1"), "{error}");
    }
    assert!(Scenario::parse(&text("split-phase", &heater("l1-l2")), "a.toml").is_ok());
}

#[test]
fn a_missing_file_is_named() {
    let error = Scenario::load("no/such/mill.toml".as_ref()).unwrap_err().to_string();
    assert!(error.starts_with("no/such/mill.toml: cannot be read"), "{error}");
}
