#!/usr/bin/env python3
"""Compares readings of a CSV file with numpy's own: harmonics, THD, sequence, parts of S.

An independent check of the measurement: nothing is shared with the program but the file, the
frequency and the definitions (IEEE Std 1459-2010, IEC 61000-4-30, Fortescue). Harmonics come
from a least-squares fit of all orders to the samples that the readings cover.

Usage: reference_harmonics.py FILE.csv READINGS.json FREQUENCY_HZ
Prints a JSON object of the largest errors: RMS in limits (1 is 0.05 % of the fundamental or 1 %
of the reading, whichever is larger), angles in degrees where an order has 0.1 % or more, the
rest in percent of the quantity itself or of what it is a part of.
"""
import json
import sys

import numpy as np

ORDERS = 50


def main():
    rows = np.loadtxt(sys.argv[1], delimiter=",", skiprows=1)
    reading = json.load(open(sys.argv[2], encoding="utf-8"))["readings"][0]
    f = float(sys.argv[3])
    t, x = rows[:, 0], rows[:, 1:7]
    rate = (len(t) - 1) / (t[-1] - t[0])
    start = round(reading["start_s"] * rate)
    count = round(reading["duration_s"] * rate)
    t, x = t[start:start + count], x[start:start + count]
    highest = len(reading["phases"][0]["v_harmonics"])
    angle = 2 * np.pi * f * np.outer(t - t[0], np.arange(1, highest + 1))
    basis = np.hstack([np.ones((len(t), 1)), np.cos(angle), np.sin(angle)])
    fit = np.linalg.lstsq(basis, x, rcond=None)[0]
    # Cosine RMS phasors by order and channel.
    phasors = (fit[1:highest + 1] - 1j * fit[highest + 1:]) / np.sqrt(2)
    mean = fit[0]
    first = phasors[0]
    turn = np.exp(-1j * np.angle(first[0]) * np.arange(1, highest + 1))
    square = mean**2 + (np.abs(phasors)**2).sum(axis=0)
    worst = {"rms_limits": 0.0, "angle_deg": 0.0, "thd": 0.0, "parts": 0.0, "sequence": 0.0}

    def note(key, error):
        worst[key] = max(worst[key], float(error))

    for k, phase in enumerate(reading["phases"]):
        for kind, c, unit in (("v", k, "rms_v"), ("i", k + 3, "rms_a")):
            size = abs(first[c])
            for line in phase[kind + "_harmonics"]:
                want = phasors[line["order"] - 1, c]
                limit = max(5e-4 * size, 0.01 * abs(want))
                note("rms_limits", abs(line[unit] - abs(want)) / limit)
                if abs(want) > 1e-3 * size:
                    at = np.angle(want * turn[line["order"] - 1], deg=True)
                    note("angle_deg", abs((line["angle_deg"] - at + 180) % 360 - 180))
            thd = np.sqrt((np.abs(phasors[1:, c])**2).sum()) / size
            note("thd", abs(phase[kind + "_thd_pct"] - 100 * thd))
        v, i = np.sqrt(square[k]), np.sqrt(square[k + 3])
        v1, i1 = abs(first[k]), abs(first[k + 3])
        vh, ih = np.sqrt(v * v - v1 * v1), np.sqrt(i * i - i1 * i1)
        p = (mean[k] * mean[k + 3] + (phasors[:, k] * phasors[:, k + 3].conj()).real.sum())
        p1 = (first[k] * first[k + 3].conj()).real
        parts = {
            "s1_va": v1 * i1, "di_var": v1 * ih, "dv_var": vh * i1, "sh_va": vh * ih,
            "sn_va": np.sqrt((v * i)**2 - (v1 * i1)**2), "ph_w": p - p1, "p_w": p,
        }
        for key, want in parts.items():
            note("parts", 100 * abs(phase[key] - want) / (v * i))
    a = np.exp(2j * np.pi / 3)
    table = np.array([[1, a, a * a], [1, a * a, a], [1, 1, 1]]) / 3
    for kind, c, unit in (("v", 0, "v"), ("i", 3, "a")):
        parts = np.abs(table @ first[c:c + 3])
        for name, want in zip(("positive", "negative", "zero"), parts):
            got = reading["sequence"]["%s_%s_%s" % (kind, name, unit)]
            note("sequence", 100 * abs(got - want) / parts[0])
        unbalance = 100 * parts[1] / parts[0]
        note("sequence", abs(reading["sequence"][kind + "_unbalance_pct"] - unbalance))
    json.dump(worst, sys.stdout)


main()
