#!/usr/bin/env python3
"""Measures speed and memory and writes the tables into README.md.

Builds in release, runs each benchmark once on an otherwise idle machine, and puts the
results between the marks in README.md. Nothing here passes or fails: tests do not time.
"""
import json
import pathlib
import re
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent
BEGIN = "<!-- figures: written by tests/figures.py -->"
END = "<!-- end of figures -->"


def run(*command):
    print("+", " ".join(command), file=sys.stderr)
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=False)
    return done.stdout


def find(pattern, text, what):
    match = re.search(pattern, text)
    if not match:
        sys.exit(f"figures: no {what} in:\n{text}")
    return match.group(1)


def week():
    run("cargo", "build", "--release", "--locked", "-p", "wattless")
    with tempfile.TemporaryDirectory() as folder:
        out = run("target/release/wattless", "demo", "--json", "--folder", f"{folder}/demo")
    return json.loads(out)


def main():
    ratio = run(sys.executable, "tests/numpy_ratio.py")
    table = ratio.rstrip()
    demo = week()
    survey = run("cargo", "bench", "-q", "--locked", "-p", "wattless-tests", "--bench", "survey_year")
    bill = run("cargo", "bench", "-q", "--locked", "-p", "wattless-tests", "--bench", "bill_year")
    size = run("cargo", "bench", "-q", "--locked", "-p", "wattless-tests", "--bench", "size_year")
    report = run("cargo", "bench", "-q", "--locked", "-p", "wattless-tests", "--bench", "report_year")
    frames = run(sys.executable, "tests/polars_ratio.py")
    store = run("cargo", "run", "-q", "--release", "--locked", "-p", "wattless", "--example", "store_speed")
    node = run("cargo", "test", "-q", "--locked", "-p", "wattless-node", "--test", "node",
               "the_state_is_small", "--", "--nocapture")
    state = int(find(r"with link: (\d+) bytes", node, "node state"))
    reads = [float(x) for x in re.findall(r"read_log\s+([\d.]+) ms", store)]
    rows = [
        ("a week at 8 kSPS through node, log, link, store, survey",
         f"{demo['total_s']:.0f} s for {demo['frames'] / 1e9:.2f}·10⁹ samples of six channels"),
        ("of that: feeder, node, pull, survey with report",
         f"{demo['feeder_s']:.1f}, {demo['node_s'] - demo['feeder_s']:.1f}, "
         f"{demo['pull']['elapsed_s']:.1f}, {demo['report_s']:.2f} s"),
        ("survey of a year of one-minute records: reading the store",
         f"{min(reads):.0f} ms" if reads else "-"),
        ("the same: analysis",
         find(r"525600 one-minute records: ([\d.]+) ms", survey, "survey time") + " ms"),
        ("a quarter year: analysis",
         find(r"131400 one-minute records: ([\d.]+) ms", survey, "survey time") + " ms"),
        ("memory of the survey of a year",
         find(r"([\d.]+ MiB) after the survey", survey, "survey memory")),
        ("bill of a year of one-minute records, log in memory",
         find(r"525600 one-minute records: ([\d.]+) ms", bill, "bill time") + " ms"),
        ("figures and money of one correction more, a year of 15-minute intervals",
         find(r"intervals: ([\d.]+) ms", bill, "pass time") + " + "
         + find(r"its money: ([\d.]+) ms", bill, "price time") + " ms"),
        ("bill of a year, reading the store included; times faster than polars",
         find(r"wattless: ([\d.]+) ms", frames, "bill time") + " ms; "
         + find(r"([\d.]+) times faster", frames, "ratio")),
        ("sizing: a year of one-minute records through 1,000 candidates, one core",
         find(r"1000 candidates: ([\d.]+) s", size, "sizing time") + " s"),
        ("report of that year: from the store to what is said; its HTML",
         find(r"decided report: (\d+) ms", report, "report time") + " + "
         + find(r"HTML: (\d+) ms", report, "HTML time") + " ms"),
        ("records stored a second, 512 a transaction",
         find(r"append\s+(\d+) records/s", store, "append speed")),
        ("state of a node with its link, no heap",
         f"{state:,} bytes"),
    ]
    lines = ["| what | figure |", "|---|---|"]
    lines += [f"| {what} | {figure} |" for what, figure in rows]
    lines += ["", "From samples to readings, against a bare loop and numpy:", "", table]
    readme = ROOT / "README.md"
    text = readme.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    body = "\n".join(lines)
    readme.write_text(f"{before}{BEGIN}\n{body}\n{END}{after}", encoding="utf-8")
    print(body)


if __name__ == "__main__":
    main()
