//! The page of a watch in a headless Chromium, with a simulated node behind it.

use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use wattless::watch::page::Page;
use wattless::watch::state::{Removed, Shared, StandingProof};
use wattless_tests::browser::Browser;
use wattless_tests::program::{Served, command};
use wattless_tests::watching::{Watching, found};

/// A motor that always works and a heater that comes and goes every eight seconds.
const SCENARIO: &str = r#"
[plant]
name = "Brackwater Joinery"
feeder = "Sawmill main"
time_zone = "UTC"
[span]
start = "2026-03-02"
days = 7
seed = 3
[supply]
nominal_v = 400.0
nominal_hz = 50.0
wiring = "four-wire"
harmonics = [{ order = 5, pct = 2.0, angle_deg = 160.0 }]
[node]
id = 0x5A17_0001
sample_rate_hz = 2000.0
interval_s = 1
i_range_peak_a = 1200.0
[[motor]]
name = "Dust extraction"
rated_kw = 55.0
efficiency = 0.938
pf = 0.87
work_load = [0.6, 0.6]
[[heater]]
name = "Kiln"
kw = 60.0
work_s = [8.0, 8.0]
rest_s = [8.0, 8.0]
"#;

/// Limits that the heater crosses.
const SITE: &str = r#"
name = "Brackwater Joinery"
time_zone = "UTC"
[supply]
line_voltage_v = 400
frequency_hz = 50
wiring = "four-wire"
[power_factor]
target = 0.5
[report]
numbers = "1 234.5"
[watch.alarms]
rated_a = 100
hold_s = 2
rest_s = 2
demand_limit_kw = 200
"#;

struct Plant {
    folder: tempfile::TempDir,
    node: Served,
    watched: Watching,
    /// HOST:PORT.
    page: String,
}

fn plant() -> Plant {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let node = Served::new(&[file("scenario.toml", SCENARIO)]);
    let site = file("site.toml", SITE);
    let mut watched = Watching::with_page(&folder.path().join("store"), &node.address, &site);
    let page = watched.page();
    Plant { folder, node, watched, page }
}

/// Where pictures go, to be looked at.
fn picture(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("page-pictures");
    std::fs::create_dir_all(&folder).unwrap();
    folder.join(name)
}

/// A number as the page writes it, with a decimal point or comma and no groups of thousands.
fn number(text: &str) -> f64 {
    let plain: String = text
        .chars()
        .take_while(|c| !c.is_alphabetic())
        .filter(|c| !c.is_whitespace())
        .map(|c| match c {
            '−' => '-',
            ',' => '.',
            c => c,
        })
        .collect();
    plain.parse().unwrap_or_else(|_| panic!("{text:?} is no number"))
}

/// What the node itself reads now.
fn own(node: &Served) -> Value {
    let out = command().args(["node", &node.address, "--json"]).output().unwrap();
    let all: Value = serde_json::from_slice(&out.stdout).unwrap();
    all["now"].clone()
}

fn total(now: &Value, key: &str) -> f64 {
    now["phases"].as_array().unwrap().iter().map(|p| p[key].as_f64().unwrap()).sum()
}

/// Values of the page lie between those that the node gave before and after, where the load stood
/// still between.
#[test]
fn the_page_shows_what_the_node_reads_and_what_is_wrong() {
    let plant = plant();
    let mut browser = Browser::open();
    browser.screen(1100, 900, false);
    browser.go(&format!("http://{}/", plant.page));
    browser.until("/\\d/.test(document.getElementById('n0-p').textContent)", "readings come");
    let keys = [("p", "p_w", 1e3), ("q", "q1_var", 1e3), ("s", "s_va", 1e3)];
    found("the load stands still for a moment", || {
        let before = own(&plant.node);
        let ids = ["p", "q", "s", "1v", "2i", "3pf", "f"];
        let ask: Vec<String> = ids
            .iter()
            .map(|id| format!("document.getElementById('n0-{id}').textContent"))
            .collect();
        let page = browser.run(&format!("[{}]", ask.join(",")));
        let after = own(&plant.node);
        let steady = keys.iter().all(|(_, key, _)| {
            let (a, b) = (total(&before, key), total(&after, key));
            (a - b).abs() < 0.002 * a.abs()
        });
        if !steady {
            return None;
        }
        let shown = |k: usize| number(page[k].as_str().unwrap());
        for (k, (id, key, scale)) in keys.iter().enumerate() {
            let (a, b) = (total(&before, key) / scale, total(&after, key) / scale);
            // A reading may be a second old: the load may have moved before the first question.
            if (shown(k) - a).abs() > 0.02 * a.abs() {
                return None;
            }
            let room = 0.002 * a.abs() + 0.06;
            assert!(shown(k) > a.min(b) - room && shown(k) < a.max(b) + room, "{id}: {page}");
        }
        let phase = |k: usize, key: &str| after["phases"][k][key].as_f64().unwrap();
        assert!((shown(3) - phase(0, "v_rms_v")).abs() < 0.6, "{page}");
        assert!((shown(4) - phase(1, "i_rms_a")).abs() < 0.5, "{page}");
        assert!((shown(5) - phase(2, "pf")).abs() < 0.011, "{page}");
        assert!((shown(6) - after["frequency_hz"].as_f64().unwrap()).abs() < 0.02, "{page}");
        Some(())
    });

    // The heater brings the current over its limit, and takes it away again.
    let said = "document.getElementById('glance-words').textContent";
    browser.until(&format!("{said}.startsWith('Overload')"), "the alarm is at the top");
    browser.until("!!document.querySelector('#n0-alarms .alarm')", "the alarm is in the list");
    let alarm = browser.text("n0-alarms");
    for part in ["Overload", "rated 100.0 A", "Check first:", "Since"] {
        assert!(alarm.contains(part), "{part} is not in {alarm}");
    }
    let class = browser.run("document.getElementById('glance').className");
    assert_eq!(class, "glance bad");
    assert!(browser.run("document.title").as_str().unwrap().starts_with("Overload"));
    browser.until("!!document.querySelector('#n0-waves svg')", "waveforms are drawn");
    browser.picture(&picture("alarm-desk.png"));
    browser.until(&format!("{said} === 'All is well'"), "the alarm is over");
    browser.until("!!document.querySelector('#n0-alarms details')", "it is listed as over");
    // The list follows the words within seconds, and the heater may be back by then.
    let list = "document.getElementById('n0-alarms').textContent";
    browser.until(&format!("{list}.includes('No alarm stands.')"), "the list is empty");

    // A list that the reader has opened stays open when it is drawn anew.
    browser.run("document.querySelector('#n0-alarms details').open = true");
    let count = "document.querySelectorAll('#n0-alarms details li').length";
    let before = browser.run(count).as_u64().unwrap();
    browser.until(&format!("{count} > {before}"), "another alarm comes and goes");
    assert_eq!(browser.run("document.querySelector('#n0-alarms details').open"), true);
    assert_eq!(browser.complaints(), Vec::<String>::new());

    // Without its node the page says so, and shows no old reading as one of now.
    let Plant { folder, node, watched, .. } = plant;
    drop(node);
    browser.until(
        &format!("{said}.toLowerCase().includes('no answer from the node')"),
        "the node is missed",
    );
    assert_eq!(browser.text("n0-p"), "–");
    assert!(browser.text("n0-link").starts_with("No answer, heard"));
    // Without its watch the page says that it is old.
    drop(watched);
    browser.until("document.body.classList.contains('stale')", "the page is told to be old");
    assert!(browser.text("fresh").contains("what is shown is old"));
    drop(folder);
}

/// Everything that shows the page to be usable: no side scrolling on a phone, light and dark, words
/// for pictures, one quiet live region, keys, nothing from outside, few bytes.
#[test]
fn the_page_is_usable_by_everybody() {
    let plant = plant();
    let url = format!("http://{}/", plant.page);
    let mut browser = Browser::open();
    browser.screen(360, 740, false);
    browser.go(&url);
    browser.until("!!document.querySelector('#n0-waves svg')", "waveforms are drawn");
    browser.until("!!document.querySelector('#n0-day svg')", "the day is drawn");
    for (width, height, name) in [(360, 740, "phone"), (1280, 900, "desk")] {
        for dark in [false, true] {
            browser.screen(width, height, dark);
            let scheme = if dark { "dark" } else { "light" };
            let wide = browser.run("document.documentElement.scrollWidth").as_u64().unwrap();
            assert!(wide <= u64::from(width), "{name}: {wide} pixels on {width}");
            let beyond = browser.run(BEYOND);
            assert_eq!(beyond, json!([]), "{name}: reach beyond the screen");
            let poor = browser.run(CONTRAST);
            assert_eq!(poor, json!([]), "{name}, {scheme}: too little contrast");
            browser.picture(&picture(&format!("{name}-{scheme}.png")));
        }
    }
    // The checks do find what they look for.
    browser.run(
        "document.querySelector('footer').insertAdjacentHTML('beforeend', '<p id=\"poor\" \
         style=\"width:200vw;color:#888;background:#999\">poor</p>')",
    );
    assert_eq!(browser.run(CONTRAST).as_array().unwrap().len(), 1);
    assert_eq!(browser.run(BEYOND).as_array().unwrap().len(), 1);
    browser.run("document.getElementById('poor').remove()");

    // For eyes that see no colour: the same page in grey.
    let grey = json!({ "type": "achromatopsia" });
    browser.call("Emulation.setEmulatedVisionDeficiency", grey);
    browser.picture(&picture("desk-grey.png"));

    assert_eq!(browser.run(STRUCTURE), json!([]), "structure");
    let tree = browser.call("Accessibility.getFullAXTree", json!({}));
    let nodes: Vec<&Value> =
        tree["nodes"].as_array().unwrap().iter().filter(|n| n["ignored"] != true).collect();
    let role = |name: &str| {
        let name = name.to_owned();
        nodes.iter().filter(move |n| n["role"]["value"] == name.as_str())
    };
    for (name, least) in
        [("main", 1), ("banner", 1), ("contentinfo", 1), ("status", 1), ("region", 6), ("table", 2)]
    {
        let count = role(name).count();
        assert!(count >= least && (count == least || least > 1), "{count} of {name}");
    }
    for name in ["region", "table", "image", "link"] {
        for n in role(name) {
            let named = n["name"]["value"].as_str().is_some_and(|x| !x.trim().is_empty());
            assert!(named, "a {name} without a name: {n}");
        }
    }
    assert!(role("image").count() >= 4, "pictures are told in words");

    // The live region speaks when its words change, and is not touched otherwise.
    let touched = browser.run(QUIET);
    assert_eq!(touched, true, "the live region was touched without need");

    // Keys: the first leads to the readings.
    browser.screen(360, 740, false);
    browser.go(&url);
    browser.press("Tab");
    assert_eq!(browser.run("document.activeElement.className"), "skip");
    let shown = browser.run("document.activeElement.getBoundingClientRect().left >= 0");
    assert_eq!(shown, true, "the skip link is seen when it is reached");
    browser.press("Enter");
    browser.until("document.activeElement.id === 'readings'", "the readings are reached");

    // Nothing from outside, few bytes until the page stands with its first readings.
    browser.go(&url);
    browser.until("/\\d/.test(document.getElementById('n0-p').textContent)", "readings come");
    let (bytes, from) = browser.loaded();
    assert!(bytes > 5000.0 && bytes < 200_000.0, "{bytes} bytes");
    assert!(from.len() >= 3, "{from:?}");
    for address in &from {
        assert!(address.starts_with(&url) || address.starts_with("data:"), "{address}");
    }
    assert_eq!(browser.complaints(), Vec::<String>::new());
    println!("first paint: {bytes:.0} bytes");
}

/// A correction's first proof comes weeks after the page was opened on the wall: its section appears
/// by itself, and is not there before.
#[test]
fn a_proof_that_comes_later_shows_by_itself() {
    let folder = tempfile::tempdir().unwrap();
    let shared = Arc::new(Shared::new(["tcp:127.0.0.1:9".to_owned()]));
    let site = wattless::site::Site::default();
    let page =
        Page::new(shared.clone(), site.clone(), site.watch.clone(), None, folder.path().to_owned());
    let (told, at) = std::sync::mpsc::channel();
    let server = std::thread::spawn(move || {
        page.serve("127.0.0.1:0".parse().unwrap(), |at| told.send(at).unwrap())
    });
    let mut browser = Browser::open();
    browser.screen(360, 740, false);
    browser.go(&format!("http://{}/", at.recv().unwrap()));
    let seen = "document.getElementById('n0-proof').offsetParent !== null";
    assert_eq!(browser.run(seen), false);
    let removed =
        Some(Removed { removed_var: 49e3, uncertainty_var: 1e3, expected_var: Some(50e3) });
    let proof = StandingProof {
        proof: removed,
        week: removed,
        change_var: Some(0.0),
        ..StandingProof::default()
    };
    shared.change(0, |s| s.proof = Some(proof));
    browser.until(seen, "the proof is shown");
    let words = browser.run("document.getElementById('n0-proof').textContent");
    assert!(words.as_str().unwrap().contains("It still works as proven."), "{words}");
    assert_eq!(browser.run(STRUCTURE), json!([]), "structure");
    shared.stop();
    server.join().unwrap().unwrap();
}

/// Several nodes of other wirings without a site file, and an address where nobody answers.
#[test]
fn several_nodes_come_in_short_and_each_in_full() {
    let folder = tempfile::tempdir().unwrap();
    let node = |wiring: &str, id: &str, feeder: &str| {
        let path = folder.path().join(format!("{wiring}.toml"));
        let text = SCENARIO
            .replace("four-wire", wiring)
            .replace("0x5A17_0001", id)
            .replace("Sawmill main", feeder)
            .replace("[[motor]]", "[[motor]]\nconnected = \"l1\"")
            .replace("[[heater]]", "[[heater]]\nconnected = \"l1\"");
        let text = match wiring {
            "two-sensor-line" => text.replace("connected = \"l1\"\n", ""),
            _ => text.replace("nominal_v = 400.0", "nominal_v = 240.0"),
        };
        std::fs::write(&path, text).unwrap();
        Served::new(&[path])
    };
    let single = node("single-phase", "0x5A17_0011", "Office");
    let two = node("two-sensor-line", "0x5A17_0012", "Kilns");
    let store = folder.path().join("store");
    let mut watched = Watching::new(
        &store,
        &[&single.address, &two.address, "tcp:127.0.0.1:1", "--listen", "127.0.0.1:0"],
    );
    let url = format!("http://{}/", watched.page());
    let mut browser = Browser::open();
    browser.screen(360, 740, false);
    browser.go(&url);
    let shown = "[0, 1].every(k => /\\d/.test(document.getElementById(`n${k}-p`).textContent))";
    browser.until(shown, "both nodes read");
    let said = "document.getElementById('glance-words').textContent";
    let missed = "tcp:127.0.0.1:1: no answer from the node";
    browser.until(&format!("{said} === '{missed}'"), "the third is missed");
    assert_eq!(
        (browser.text("n0-name"), browser.text("n1-name")),
        ("Office".into(), "Kilns".into())
    );
    assert_eq!(
        (browser.text("n2-state"), browser.text("n2-p")),
        ("No answer from the node".into(), "–".into())
    );
    assert_eq!(browser.run(STRUCTURE), json!([]));
    assert_eq!(browser.run(BEYOND), json!([]));
    browser.picture(&picture("nodes-phone.png"));

    // By keys to the first node: one phase, one row, one wave.
    browser.run("document.querySelector('.nodes a').focus()");
    browser.press("Enter");
    browser.until("location.search === '?node=1'", "the first node is gone to");
    browser.until("!!document.querySelector('#n0-waves svg')", "waveforms are drawn");
    let rows = "[...document.querySelectorAll('tbody tr')].filter(r => r.getClientRects().length)";
    browser.until(&format!("{rows}.length === 2"), "one row in each table");
    assert_eq!(browser.run("document.querySelectorAll('nav a').length"), 1);
    browser.go(&format!("{url}?node=2"));
    browser.until("!!document.querySelector('#n1-phasors svg')", "phasors are drawn");
    let told = browser.text("n1-phasors");
    // Two elements of a balanced load: three phases with the same angle.
    let angles: Vec<f64> =
        told.split(": ").skip(1).map(|t| number(t.split('°').next().unwrap())).collect();
    assert!(angles.len() == 3, "{told}");
    assert!(angles.iter().all(|a| (a - angles[0]).abs() < 3.0), "{told}");
    browser.go(&format!("{url}?node=3"));
    browser.until(&format!("{said} === 'No answer from the node'"), "the third says why");
    assert!(browser.text("n2-link").contains("check the cable"), "{}", browser.text("n2-link"));
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

/// Elements with words that reach beyond the screen.
const BEYOND: &str = "
[...document.querySelectorAll('main *, header *, footer *')]
  .filter(e => !e.closest('svg') && e.getClientRects().length)
  .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5)
  .map(e => e.outerHTML.slice(0, 80))";

/// Words whose contrast is below 4.5, or 3 where they are large (WCAG 2.2, 1.4.3; relative
/// luminance and contrast ratio as defined there). Fills and grounds are as the browser computed
/// them.
const CONTRAST: &str = "
(() => {
  const rgb = s => (s.match(/[\\d.]+/g) || []).map(Number);
  const lin = c => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
  const lum = c => 0.2126 * lin(c[0]) + 0.7152 * lin(c[1]) + 0.0722 * lin(c[2]);
  const ground = e => {
    for (; e; e = e.parentElement) {
      const c = rgb(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] > 0) return c;
    }
    return [255, 255, 255];
  };
  const found = [];
  let seen = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; (n = walk.nextNode());) {
    const e = n.parentElement;
    if (!n.data.trim() || !e.getClientRects().length || e.closest('script,style')) continue;
    const style = getComputedStyle(e);
    const inSvg = !!e.closest('svg');
    const a = lum(rgb(inSvg ? style.fill : style.color)) + 0.05;
    const b = lum(ground(e)) + 0.05;
    const ratio = Math.max(a, b) / Math.min(a, b);
    const size = parseFloat(style.fontSize), bold = +style.fontWeight >= 700;
    const least = size >= 24 || (bold && size >= 18.66) ? 3 : 4.5;
    let opacity = 1;
    for (let x = e; x; x = x.parentElement) opacity *= +getComputedStyle(x).opacity;
    seen += 1;
    if (ratio < least || opacity < 1) found.push(n.data.trim().slice(0, 40) + ': ' + ratio.toFixed(2));
  }
  if (seen < 60) found.push('only ' + seen + ' texts were looked at');
  return found;
})()";

/// What a screen reader needs and does not find (WCAG 2.2, 1.1.1, 1.3.1, 2.4.2, 3.1.1).
const STRUCTURE: &str = "
(() => {
  const bad = [], all = s => [...document.querySelectorAll(s)];
  if (document.documentElement.lang !== 'en') bad.push('language');
  if (!document.title) bad.push('title');
  if (all('h1').length !== 1) bad.push('h1');
  let last = 0;
  all('h1,h2,h3,h4').forEach(h => {
    const level = +h.tagName[1];
    if (level > last + 1) bad.push('level of ' + h.textContent);
    last = level;
  });
  all('svg').forEach(s => {
    if (s.getAttribute('role') !== 'img' || !s.getAttribute('aria-label')) bad.push('svg');
  });
  all('th').forEach(t => { if (!t.scope) bad.push('th ' + t.textContent); });
  all('section').forEach(s => {
    const by = s.getAttribute('aria-labelledby');
    if (!by || !document.getElementById(by)) bad.push('section without a name');
  });
  const live = all('[aria-live],[role=status],[role=alert],[role=log]');
  if (live.length !== 1 || live[0].id !== 'glance') bad.push('live regions: ' + live.length);
  const ids = all('[id]').map(e => e.id);
  ids.forEach((id, k) => { if (ids.indexOf(id) !== k) bad.push('id twice: ' + id); });
  all('a,summary').forEach(e => {
    if (e.className !== 'skip' && e.getClientRects().length
        && e.getBoundingClientRect().height < 24) bad.push('small target: ' + e.textContent);
  });
  return bad;
})()";

/// Whether the words at the top were left alone as long as they were the same, for some readings.
const QUIET: &str = "
new Promise(done => {
  const place = document.getElementById('glance'), words = document.getElementById('glance-words');
  const fresh = document.getElementById('fresh');
  let text = words.textContent, needless = 0, readings = 0;
  new MutationObserver(list => {
    if (words.textContent === text) needless += list.filter(m => m.type !== 'attributes').length;
    text = words.textContent;
  }).observe(place, { childList: true, characterData: true, subtree: true, attributes: true });
  new MutationObserver(() => { readings += 1; if (readings > 3) done(needless === 0); })
    .observe(fresh, { childList: true, characterData: true, subtree: true });
})";
