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
    store = run("cargo", "run", "-q", "--release", "--locked", "-p", "wattless", "--example", "store_speed")
    node = run("cargo", "test", "-q", "--locked", "-p", "wattless-node", "--test", "node",
               "the_state_is_small", "--", "--nocapture")
    state = int(find(r"with link: (\d+) bytes", node, "node state"))
    reads = [float(x) for x in re.findall(r"read_log\s+([\d.]+) ms", store)]
    rows = [
        ("a week at 8 kSPS through node, log, link, store, survey",
         f"{demo['total_s']:.0f} s for {demo['frames'] / 1e9:.2f}·10⁹ samples of six channels"),
        ("of that: feeder, node, pull, survey",
         f"{demo['feeder_s']:.1f}, {demo['node_s'] - demo['feeder_s']:.1f}, "
         f"{demo['pull']['elapsed_s']:.1f}, {demo['survey_s']:.2f} s"),
        ("survey of a year of one-minute records: reading the store",
         f"{min(reads):.0f} ms" if reads else "-"),
        ("the same: analysis",
         find(r"525600 one-minute records: ([\d.]+) ms", survey, "survey time") + " ms"),
        ("a quarter year: analysis",
         find(r"131400 one-minute records: ([\d.]+) ms", survey, "survey time") + " ms"),
        ("memory of the survey of a year",
         find(r"([\d.]+ MiB) after the survey", survey, "survey memory")),
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
