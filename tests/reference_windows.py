#!/usr/bin/env python3
"""Reads stretches of a binary COMTRADE recording by plain sums, standard library only.

An independent check of the measurement: nothing is shared with the program but
the file and the stretches. A stretch is given as start and length in samples,
with fractions; the cells in which it starts and ends count by their share.

Usage: reference_windows.py FILE.cfg A,B,C,D,E,F  < JSON list of [start, length, cycles]
where A to F are the channel numbers of v1, v2, v3, i1, i2, i3.
Prints a JSON list of objects with v_rms_v, i_rms_a, p_w, q1_var of the phases.
"""
import cmath
import json
import math
import pathlib
import struct
import sys


def channels_of(config, numbers):
    lines = config.read_text(encoding="latin-1").splitlines()
    analogs = int(lines[1].split(",")[1].strip().rstrip("Aa"))
    digitals = int(lines[1].split(",")[2].strip().rstrip("Dd"))
    record = struct.Struct("<ii%dh%dH" % (analogs, (digitals + 15) // 16))
    data = config.with_suffix(".dat").read_bytes()
    rows = [record.unpack_from(data, at) for at in range(0, len(data), record.size)]
    columns = []
    for number in numbers:
        fields = lines[1 + number].split(",")
        unit = 1000.0 if fields[4].strip().lower().startswith("k") else 1.0
        a, b = float(fields[5]) * unit, float(fields[6]) * unit
        columns.append([a * row[1 + number] + b for row in rows])
    return columns


def weights_of(start, length):
    """Cells and the share of each that lies in the stretch."""
    end = start + length
    first, last = math.floor(start), math.ceil(end)
    return [(n, min(n + 1, end) - max(n, start)) for n in range(first, last)]


def read(columns, start, length, cycles):
    weights = [(n, w) for n, w in weights_of(start, length) if n < len(columns[0])]
    mean = lambda f: sum(w * f(n) for n, w in weights) / length
    turn = [(n, w * cmath.exp(-2j * math.pi * cycles * (n + 0.5 - start) / length)) for n, w in weights]
    phasor = lambda x: math.sqrt(2) / length * sum(w * x[n] for n, w in turn)
    out = {"v_rms_v": [], "i_rms_a": [], "p_w": [], "q1_var": []}
    for k in range(3):
        v, i = columns[k], columns[3 + k]
        out["v_rms_v"].append(math.sqrt(mean(lambda n: v[n] * v[n])))
        out["i_rms_a"].append(math.sqrt(mean(lambda n: i[n] * i[n])))
        out["p_w"].append(mean(lambda n: v[n] * i[n]))
        out["q1_var"].append((phasor(v) * phasor(i).conjugate()).imag)
    return out


def main():
    config = pathlib.Path(sys.argv[1])
    columns = channels_of(config, [int(n) for n in sys.argv[2].split(",")])
    json.dump([read(columns, *stretch) for stretch in json.load(sys.stdin)], sys.stdout)


main()
