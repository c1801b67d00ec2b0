use super::*;

fn tariff(text: &str) -> Result<Tariff, TariffError> {
    Tariff::parse(text, Path::new("t.toml"))
}

fn message(text: &str) -> String {
    match tariff(text) {
        Ok(_) => panic!("accepted: {text}"),
        Err(e) => e.to_string(),
    }
}

const HEAD: &str = "currency = \"EUR\"\n";
const DEMAND: &str = "[demand]\ninterval_min = 15\n";
const PF: &str = "[power_factor]\nbasis = \"average\"\n";
const ENERGY: &str = "[[charge]]\nclause = \"energy\"\nrate_per_kwh = 0.1\n";

#[test]
fn the_examples_are_whole_tariffs() {
    let t = tariff(MILLRACE).unwrap();
    assert_eq!(t.charges.len(), 8);
    assert_eq!(t.calendar.seasons, ["summer", "winter"]);
    assert_eq!(t.calendar.periods, ["peak", "off-peak"]);
    assert_eq!(t.step_s(), 900);
    assert!(t.uses_pf());
}

/// Hours of the example by date: a working day, a Saturday, Easter Monday, across the season.
#[test]
fn hours_find_their_period() {
    let t = tariff(MILLRACE).unwrap();
    let name = |date: &str, minute: usize| {
        let (season, row) = t.calendar.day(date.parse().unwrap());
        let slot = t.calendar.slot(season, usize::from(row[minute]));
        t.calendar.slot_name(slot)
    };
    assert_eq!(name("2026-06-02", 8 * 60), "peak in summer");
    assert_eq!(name("2026-06-02", 8 * 60 - 1), "off-peak in summer");
    assert_eq!(name("2026-06-06", 12 * 60), "off-peak in summer");
    assert_eq!(name("2026-04-06", 12 * 60), "off-peak in summer", "Easter Monday");
    assert_eq!(name("2026-03-31", 13 * 60), "off-peak in winter");
    assert_eq!(name("2026-03-31", 17 * 60), "peak in winter");
    assert_eq!(name("2026-04-01", 13 * 60), "peak in summer");
    // 10 working hours on 22 working days of June 2026.
    let shares =
        t.calendar.time_shares("2026-06-01".parse().unwrap(), "2026-07-01".parse().unwrap());
    assert!((shares[0] - 22.0 * 10.0 / (30.0 * 24.0)).abs() < 1e-12, "{shares:?}");
}

#[test]
fn boundaries_of_hours_set_the_step() {
    let t = format!(
        "{HEAD}{DEMAND}[[period]]\nname = \"day\"\nhours = \"07:10-22:00\"\n\
         [[period]]\nname = \"night\"\nrest = true\n{ENERGY}"
    );
    assert_eq!(tariff(&t).unwrap().step_s(), 300);
    let sliding = format!(
        "{HEAD}[demand]\nkind = \"sliding\"\ninterval_min = 30\nsub_interval_min = 5\n{ENERGY}"
    );
    assert_eq!(tariff(&sliding).unwrap().step_s(), 300);
}

#[test]
fn rates_are_the_decimals_of_the_file() {
    let t =
        tariff(&format!("{HEAD}[[charge]]\nclause = \"energy\"\nrate_per_kwh = 0.1234567890123\n"));
    match &t.unwrap().charges[0].clause {
        Clause::Energy(tiers) => assert_eq!(tiers.0[0].rate.to_string(), "0.1234567890123"),
        other => panic!("{other:?}"),
    }
}

/// Every refusal names file, line, key and what to do.
#[test]
fn refusals_name_line_and_cure() {
    let demand = |keys: &str| format!("{HEAD}{DEMAND}[[charge]]\nclause = \"demand\"\n{keys}");
    let pf = |keys: &str| format!("{HEAD}{PF}{ENERGY}[[charge]]\nclause = \"pf-percent\"\n{keys}");
    let table = |bands: &str| {
        format!("{HEAD}{PF}{ENERGY}[[charge]]\nclause = \"pf-table\"\nbands = [{bands}]\n")
    };
    let period = |keys: &str| format!("{HEAD}{keys}{ENERGY}");
    let cases: Vec<(String, usize, Vec<&str>)> = vec![
        ("name = \"x\n".into(), 1, vec!["not TOML"]),
        (ENERGY.into(), 1, vec!["currency", "EUR"]),
        (HEAD.into(), 1, vec!["[[charge]]"]),
        (format!("{HEAD}tarif = 1\n{ENERGY}"), 2, vec!["tarif", "known here"]),
        (
            format!("{HEAD}{ENERGY}rate_per_kw = 1\n"),
            5,
            vec!["rate_per_kw", "did you mean rate_per_kwh"],
        ),
        (format!("{HEAD}[[charge]]\nclause = \"energie\"\n"), 3, vec!["energie", "energy"]),
        (format!("{HEAD}[[charge]]\nclause = \"energy\"\n"), 2, vec!["rate_per_kwh", "missing"]),
        (
            format!("{HEAD}[[charge]]\nclause = \"energy\"\nrate_per_kwh = \"0.1\"\n"),
            4,
            vec!["a number"],
        ),
        (
            format!("{HEAD}[[charge]]\nclause = \"energy\"\nrate_per_kwh = -0.1\n"),
            4,
            vec!["credit = true"],
        ),
        (format!("{HEAD}{ENERGY}{ENERGY}"), 6, vec!["its own name"]),
        (format!("{HEAD}[[charge]]\nclause = \"demand\"\nrate_per_kw = 1\n"), 3, vec!["[demand]"]),
        (
            format!(
                "{HEAD}{ENERGY}[[charge]]\nclause = \"pf-percent\"\ntarget_pf = 0.9\npercent_per_point = 1\n"
            ),
            6,
            vec!["[power_factor]"],
        ),
        (demand("rate_per_kw = 1\nrate_per_kva = 1\n"), 4, vec!["kW and kVA"]),
        (demand("rate_per_kva = 1\ntarget_pf = 0.9\n"), 7, vec!["kVA holds the power factor"]),
        (demand("rate_per_kw = 1\ntarget_pf = 95\n"), 7, vec!["not a power factor"]),
        (demand("rate_per_kw = 1\nratchet_months = 11\n"), 7, vec!["ratchet_share"]),
        (demand("rate_per_kw = 1\nratchet_share = 80\n"), 7, vec!["0.40"]),
        (demand("rate_per_kw = 1\nadjustment = \"ratio\"\n"), 7, vec!["needs target_pf"]),
        (demand("tiers = [{ rate_per_kw = 1 }]\n"), 4, vec!["unit"]),
        (
            demand("unit = \"kW\"\ntiers = [{ up_to_kw = 50, rate_per_kw = 1 }]\n"),
            7,
            vec!["last tier"],
        ),
        (
            demand(
                "unit = \"kW\"\ntiers = [{ up_to_kw = 50, rate_per_kw = 1 }, { up_to_kw = 40, rate_per_kw = 1 }, { rate_per_kw = 1 }]\n",
            ),
            7,
            vec!["rise"],
        ),
        (format!("{HEAD}[demand]\nkind = \"block\"\n{ENERGY}"), 2, vec!["interval_min"]),
        (format!("{HEAD}[demand]\ninterval_min = 7\n{ENERGY}"), 3, vec!["does not divide the day"]),
        (
            format!("{HEAD}[demand]\ninterval_min = 15\nsub_interval_min = 5\n{ENERGY}"),
            4,
            vec!["sliding"],
        ),
        (
            format!(
                "{HEAD}[demand]\nkind = \"sliding\"\ninterval_min = 15\nsub_interval_min = 4\n{ENERGY}"
            ),
            5,
            vec!["divide"],
        ),
        (format!("{HEAD}[power_factor]\ndecimals = 2\n{ENERGY}"), 2, vec!["basis"]),
        (format!("{HEAD}{PF}counts_from_share = 0.5\n{ENERGY}"), 4, vec!["lowest"]),
        (
            pf(
                "target_pf = 0.95\npercent_per_point = 1\nbonus_above_pf = 0.90\nbonus_percent_per_point = 1\n",
            ),
            11,
            vec!["cannot have both"],
        ),
        (pf("target_pf = 0.95\n"), 9, vec!["percent_per_point"]),
        (pf("of = \"Demand\"\ntarget_pf = 0.95\npercent_per_point = 1\n"), 9, vec!["above"]),
        (
            pf(
                "below = [{ pf = 0.85, percent_per_point = 2 }, { pf = 0.90, percent_per_point = 1 }]\n",
            ),
            9,
            vec!["away from the target"],
        ),
        (
            table(
                "{ from_pf = 0.0, to_pf = 0.9, percent = 5 }, { from_pf = 0.92, to_pf = 1.0, percent = 0 }",
            ),
            9,
            vec!["0.9 to 0.92", "no band"],
        ),
        (
            table(
                "{ from_pf = 0.0, to_pf = 0.9, percent = 5 }, { from_pf = 0.85, to_pf = 1.0, percent = 0 }",
            ),
            9,
            vec!["two bands"],
        ),
        (table("{ from_pf = 0.0, to_pf = 0.9, percent = 5 }"), 9, vec!["0.9 to 1"]),
        (
            period("[[period]]\nname = \"day\"\ndays = [\"mon-fri\"]\nhours = \"07:00-21:00\"\n"),
            3,
            vec!["mon from 00:00 to 07:00", "rest = true"],
        ),
        (
            period(
                "[[period]]\nname = \"day\"\nhours = \"07:00-21:00\"\n[[period]]\nname = \"peak\"\nhours = \"20:00-22:00\"\n",
            ),
            6,
            vec!["mon at 20:00", "day", "one period"],
        ),
        (period("[[period]]\nname = \"day\"\nhours = \"7-21\"\n"), 4, vec!["07:00-21:00"]),
        (period("[[period]]\nname = \"day\"\ndays = [\"monday\"]\n"), 4, vec!["monday", "mon"]),
        (
            period(
                "[holidays]\ndates = [\"12-25\"]\n[[period]]\nname = \"all\"\ndays = [\"mon-sun\"]\n",
            ),
            5,
            vec!["holiday", "treated_as"],
        ),
        (period("[holidays]\ndates = [\"25.12.\"]\n"), 3, vec!["12-25"]),
        (
            period("[[season]]\nname = \"summer\"\nfrom = \"04-01\"\nto = \"09-30\"\n"),
            3,
            vec!["01-01 is in no season"],
        ),
        (
            period(
                "[[season]]\nname = \"a\"\nfrom = \"01-01\"\nto = \"12-31\"\n[[season]]\nname = \"b\"\nfrom = \"06-01\"\nto = \"06-30\"\n",
            ),
            8,
            vec!["06-01 is in season \"a\""],
        ),
        (
            format!(
                "{HEAD}[[period]]\nname = \"day\"\nhours = \"07:00-21:00\"\n[[period]]\nname = \"night\"\nrest = true\n[[charge]]\nclause = \"energy\"\nperiod = \"day\"\nrate_per_kwh = 1\n"
            ),
            1,
            vec!["night", "rate_per_kwh = 0"],
        ),
        (
            format!(
                "{HEAD}[[charge]]\nclause = \"kvarh\"\nshare_of_kwh = 33\nrate_per_kvarh = 1\n"
            ),
            4,
            vec!["share"],
        ),
        (
            format!(
                "{HEAD}[[charge]]\nclause = \"kvarh\"\nshare_of_kwh = 0.5\nup_to_share_of_kwh = 0.33\nrate_per_kvarh = 1\n"
            ),
            5,
            vec!["above share_of_kwh"],
        ),
        (
            format!("{HEAD}[billing]\nreading_dates = [\"2026-02-14\", \"2026-01-14\"]\n{ENERGY}"),
            3,
            vec!["must rise"],
        ),
        (format!("{HEAD}time_zone = \"Mars/North\"\n{ENERGY}"), 2, vec!["Europe/Berlin"]),
        (format!("{HEAD}[rounding]\ndemand = \"up\"\n{ENERGY}"), 3, vec!["demand_step"]),
    ];
    for (text, line, words) in cases {
        let m = message(&text);
        let start = format!("t.toml, line {line}: ");
        assert!(m.starts_with(&start), "{m}\nis not at line {line} of\n{text}");
        for w in words {
            assert!(m.contains(w), "{m}\nlacks {w:?}");
        }
    }
    let e = Tariff::load(Path::new("no-such-tariff.toml")).unwrap_err().to_string();
    assert!(e.contains("no-such-tariff.toml") && e.contains("--tariff"), "{e}");
}

#[test]
fn numbers_go_to_steps() {
    assert_eq!(Rounded::Nearest.to_step(134.5, 1.0), 135.0);
    assert_eq!(Rounded::Up.to_step(134.01, 1.0), 135.0);
    assert_eq!(Rounded::Down.to_step(134.99, 5.0), 130.0);
    // 0.29 is not 29 × 0.01 in binary, yet it stands on the step.
    assert!((Rounded::Down.to_step(0.29, 0.01) - 0.29).abs() < 1e-12);
    assert!((Rounded::Up.to_step(0.07, 0.01) - 0.07).abs() < 1e-12);
}
