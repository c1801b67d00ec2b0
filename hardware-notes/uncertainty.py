#!/usr/bin/env python3
"""Prints the tables of uncertainty.md (form of JCGM 100); needs nothing but Python 3.

`--check` repeats every result by random trials (form of JCGM 101) through the
full equations, and looks for every printed table line in uncertainty.md.
Ratio errors are in percent, angle errors in minutes of arc; a positive angle
error makes the node read more lagging than the truth.
"""

import math
import random
import sys
from dataclasses import dataclass
from pathlib import Path

MINUTE = math.pi / 10800.0
PERCENT_PER_MINUTE = 100.0 * MINUTE
PFS = (0.5, 0.8, 0.95)


@dataclass(frozen=True)
class Term:
    """One contribution: `width` is the half-width of a rectangle or a standard uncertainty."""

    name: str
    on: str  # "v" or "i": ratio; "vi": ratio of both at once; "phi": angle
    shape: str  # "rect" or "std"
    width: float
    common: bool = False  # the same error in all three phases

    @property
    def u(self):
        return self.width / math.sqrt(3.0) if self.shape == "rect" else self.width

    @property
    def unit(self):
        return "'" if self.on == "phi" else "%"

    def draw(self, rng):
        if self.shape == "rect":
            return rng.uniform(-self.width, self.width)
        return rng.gauss(0.0, self.width)


# Limits of ratio (%) and phase (') of current transformers at 100 % and 20 % of
# rated current (IEC 61869-2), and of voltage transformers (IEC 61869-3).
CT = {"0.5": {100: (0.5, 30.0), 20: (0.75, 45.0)}, "1": {100: (1.0, 60.0), 20: (1.5, 90.0)}}
VT = {"0.5": (0.5, 20.0), "1": (1.0, 40.0)}

DRIFT = Term("converter drift, 15 K x 20 ppm/K", "vi", "rect", 0.03, True)
SMALL = [
    Term("noise, INL, arithmetic, voltage", "v", "std", 0.003),
    Term("noise, INL, arithmetic, current", "i", "std", 0.003),
]


def before(cls, load):
    """As built, from data sheets and class limits alone."""
    ct, vt = CT[cls][load], VT[cls]
    return [
        Term("voltage transducer ratio", "v", "rect", vt[0]),
        Term("current sensor ratio", "i", "rect", ct[0]),
        Term("voltage transducer phase", "phi", "rect", vt[1]),
        Term("current sensor phase", "phi", "rect", ct[1]),
        Term("converter gain, voltage channel", "v", "std", 0.3),
        Term("converter gain, current channel", "i", "std", 0.3),
        Term("converter reference", "vi", "std", 0.1, True),
        Term("input loading, voltage channel", "v", "rect", 0.1),
        Term("input loading, current channel", "i", "rect", 0.1),
        Term("RC tolerance, voltage channel", "phi", "rect", 0.65),
        Term("RC tolerance, current channel", "phi", "rect", 0.65),
        DRIFT,
        *SMALL,
    ]


def after(cls):
    """Calibrated in place; what a single gain and delay cannot take out remains."""
    ct, vt = CT[cls][100], VT[cls]
    return [
        Term("reference meter, voltage", "v", "std", 0.1, True),
        Term("reference meter, current", "i", "std", 0.1, True),
        Term("reference meter, angle", "phi", "std", 3.0, True),
        Term("comparison, voltage", "v", "std", 0.03),
        Term("comparison, current", "i", "std", 0.03),
        Term("comparison, angle", "phi", "std", 1.0),
        Term("voltage transducer ratio, change", "v", "rect", vt[0] / 5.0),
        Term("voltage transducer phase, change", "phi", "rect", vt[1] / 5.0),
        Term("current sensor ratio, change", "i", "rect", ct[0] / 2.0),
        Term("current sensor phase, change", "phi", "rect", ct[1] / 2.0),
        Term("current sensor position, temperature", "i", "rect", ct[0] / 5.0),
        DRIFT,
        *SMALL,
    ]


STATES = [
    ("0.5, before, 100 % load", before("0.5", 100)),
    ("0.5, before, 20 % load", before("0.5", 20)),
    ("0.5, after", after("0.5")),
    ("1, before, 100 % load", before("1", 100)),
    ("1, before, 20 % load", before("1", 20)),
    ("1, after", after("1")),
]


def sensitivity(quantity, on, pf):
    """Relative change in percent for one percent of ratio or one minute of angle."""
    if on == "phi":
        tan = math.tan(math.acos(pf))
        angle = {"P": -tan, "Q1": 1.0 / tan, "PF": -tan}.get(quantity, 0.0)
        return angle * PERCENT_PER_MINUTE
    v, i = on in ("v", "vi"), on in ("i", "vi")
    return float({"V": v, "I": i, "PF": 0}.get(quantity, v + i))


def combined(terms, quantity, pf, phases=1):
    """Combined standard uncertainty in percent, of one phase or of the sum of balanced phases."""
    total = 0.0
    for t in terms:
        part = sensitivity(quantity, t.on, pf) * t.u
        total += part * part / (1 if t.common else phases)
    return math.sqrt(total)


def row(*cells):
    print("| " + " | ".join(str(c) for c in cells) + " |")


def head(title, *cells):
    print(f"\n### {title}\n")
    row(*cells)
    row(*["---"] * len(cells))


def table_inputs(title, a, b):
    head(title, "contribution", "acts on", "distribution", "class 0.5", "u", "class 1", "u")
    on = {"v": "V", "i": "I", "vi": "V and I", "phi": "angle"}
    for x, y in zip(a, b):
        shape = "rectangle ±" if x.shape == "rect" else "standard"
        row(x.name + (" (c)" if x.common else ""), on[x.on], shape,
            f"{x.width:g} {x.unit}", f"{x.u:.3f} {x.unit}",
            f"{y.width:g} {y.unit}", f"{y.u:.3f} {y.unit}")


def table_sensitivities():
    head("Sensitivity coefficients", "quantity", "% of V", "% of I",
         *[f"1' at PF {pf:g}" for pf in PFS])
    for q in ("V", "I", "P", "Q1", "PF"):
        row(q, *[f"{sensitivity(q, on, PFS[0]):.0f}" for on in ("v", "i")],
            *[f"{sensitivity(q, 'phi', pf):+.4f} %" if q in ("P", "Q1", "PF") else "0"
              for pf in PFS])


def table_budget(title, terms, quantity, pf):
    head(title, "contribution", "u", "coefficient", "part of u, %", "share of variance, %")
    total = combined(terms, quantity, pf)
    for t in terms:
        c = sensitivity(quantity, t.on, pf)
        part = abs(c) * t.u
        row(t.name, f"{t.u:.3f} {t.unit}", f"{c:+.4f}", f"{part:.3f}",
            f"{100.0 * (part / total) ** 2:.1f}")
    row("**combined**", "", "", f"**{total:.3f}**", "100")
    row("**expanded, k = 2**", "", "", f"**{2 * total:.2f}**", "")


def table_results():
    cells = [f"{q} {pf:g}" for q in ("P", "Q1", "PF") for pf in PFS]
    head("Expanded uncertainty, one phase, k = 2, percent of the reading",
         "class, state", "V", "I", *cells)
    for name, terms in STATES:
        row(name, *[f"{2 * combined(terms, q, 0.8):.2f}" for q in ("V", "I")],
            *[f"{2 * combined(terms, q, pf):.2f}" for q in ("P", "Q1", "PF") for pf in PFS])
    head("Power factor in its own units, one phase, k = 2", "class, state",
         *[f"PF {pf:g}" for pf in PFS])
    for name, terms in STATES:
        row(name, *[f"± {2 * combined(terms, 'PF', pf) * pf / 100:.4f}" for pf in PFS])
    head("Sum of three balanced phases, k = 2, percent of the reading", "class, state",
         *[f"{q} {pf:g}" for q in ("P", "Q1") for pf in PFS])
    for name, terms in STATES:
        row(name, *[f"{2 * combined(terms, q, pf, 3):.2f}" for q in ("P", "Q1") for pf in PFS])


CHANGE_P_KW, CHANGE_PF = 100.0, (0.7, 0.95)


def steady(terms):
    """Terms that are the same at both currents."""
    moves = ("current sensor ratio, change", "current sensor phase, change")
    return [t for t in terms if t.name not in moves]


def change_parts(cls, calibrated):
    """Parts of the uncertainty of a fall in kvar at equal kW, three phases, in kvar."""
    terms = after(cls) if calibrated else before(cls, 100)
    q = [CHANGE_P_KW * math.tan(math.acos(pf)) for pf in CHANGE_PF]
    gain = combined(steady(terms), "S", 0.8, 3) / 100.0 * (q[0] - q[1])
    ct = CT[cls][100]
    # What the sensor does differently at the two currents is taken as independent.
    ratio = Term("", "i", "rect", ct[0] / 2).u / 100 / math.sqrt(3) * math.hypot(*q)
    angle = Term("", "phi", "rect", ct[1] / 2).u * MINUTE / math.sqrt(3)
    angle *= CHANGE_P_KW * math.sqrt(2)
    apart = [combined(terms, "Q1", pf, 3) / 100 * x for pf, x in zip(CHANGE_PF, q)]
    return q[0] - q[1], gain, ratio, angle, math.hypot(*apart)


def table_change():
    head("Fall in kvar, 100 kW at PF 0.70, then 100 kW at PF 0.95, three phases",
         "class, state", "fall, kvar", "u gain", "u sensor ratio", "u sensor angle",
         "U, k = 2, kvar", "U, %", "U if taken as independent, kvar")
    for cls in ("0.5", "1"):
        for word, calibrated in (("before", False), ("after", True)):
            fall, gain, ratio, angle, apart = change_parts(cls, calibrated)
            total = math.sqrt(gain**2 + ratio**2 + angle**2)
            row(f"{cls}, {word}", f"{fall:.2f}", f"{gain:.3f}", f"{ratio:.3f}", f"{angle:.3f}",
                f"{2 * total:.2f}", f"{200 * total / fall:.1f}", f"{2 * apart:.2f}")


def print_all():
    table_inputs("Contributions before calibration, at 100 % of rated current",
                 before("0.5", 100), before("1", 100))
    table_inputs("Contributions after calibration, 20 to 120 % of rated current",
                 after("0.5"), after("1"))
    table_sensitivities()
    table_budget("P at PF 0.8, class 0.5, before, 100 % load", before("0.5", 100), "P", 0.8)
    table_budget("P at PF 0.8, class 0.5, after", after("0.5"), "P", 0.8)
    table_results()
    table_change()


def readings(pf, v, i, minutes):
    """What the node reads of 1 V, 1 A, with ratio errors in percent and an angle error."""
    phi = math.acos(pf) + minutes * MINUTE
    volts, amperes = 1 + v / 100, 1 + i / 100
    p, q = volts * amperes * math.cos(phi), volts * amperes * math.sin(phi)
    return {"V": volts, "I": amperes, "P": p, "Q1": q, "PF": p / math.hypot(p, q)}


def trial(terms, rng, phases):
    """Ratio and angle errors of each phase; common terms are drawn once."""
    errors = [{"v": 0.0, "i": 0.0, "phi": 0.0} for _ in range(phases)]
    for t in terms:
        once = t.draw(rng)
        for e in errors:
            x = once if t.common else t.draw(rng)
            for key in ("v", "i") if t.on == "vi" else (t.on,):
                e[key] += x
    return errors


def check(trials=40_000):
    """Random trials against the tables; returns the largest relative disagreement."""
    rng = random.Random(1459)
    worst = 0.0
    for name, terms in STATES:
        for phases in (1, 3):
            sums = {}
            for _ in range(trials):
                errors = trial(terms, rng, phases)
                for pf in PFS:
                    got = [readings(pf, e["v"], e["i"], e["phi"]) for e in errors]
                    for q in ("V", "I", "P", "Q1", "PF") if phases == 1 else ("P", "Q1"):
                        x = sum(g[q] for g in got)
                        s = sums.setdefault((q, pf), [0.0, 0.0])
                        s[0] += x
                        s[1] += x * x
            for (q, pf), (s1, s2) in sums.items():
                mean = s1 / trials
                u = 100 * math.sqrt(max(s2 / trials - mean * mean, 0.0)) / mean
                expected = combined(terms, q, pf, phases)
                off = abs(u - expected) / expected
                worst = max(worst, off)
                if off > 0.03:
                    print(f"{name}, {phases} phase(s), {q} at PF {pf}: {u:.4f} not {expected:.4f}")
    return worst


def check_change(trials=40_000):
    """The same for the fall in kvar."""
    rng = random.Random(61869)
    worst = 0.0
    phis = [math.acos(pf) for pf in CHANGE_PF]
    for cls in ("0.5", "1"):
        for calibrated in (False, True):
            terms = after(cls) if calibrated else before(cls, 100)
            ct = CT[cls][100]
            s1 = s2 = 0.0
            for _ in range(trials):
                fall = 0.0
                for e in trial(steady(terms), rng, 3):
                    q = []
                    for phi in phis:
                        i = e["i"] + rng.uniform(-ct[0] / 2, ct[0] / 2)
                        angle = phi + (e["phi"] + rng.uniform(-ct[1] / 2, ct[1] / 2)) * MINUTE
                        s = CHANGE_P_KW / 3 / math.cos(phi)
                        q.append(s * (1 + e["v"] / 100) * (1 + i / 100) * math.sin(angle))
                    fall += q[0] - q[1]
                s1 += fall
                s2 += fall * fall
            u = math.sqrt(s2 / trials - (s1 / trials) ** 2)
            _, gain, ratio, angle, _ = change_parts(cls, calibrated)
            expected = math.sqrt(gain**2 + ratio**2 + angle**2)
            off = abs(u - expected) / expected
            worst = max(worst, off)
            if off > 0.03:
                print(f"fall in kvar, class {cls}, {calibrated}: {u:.4f} not {expected:.4f}")
    return worst


def check_document():
    """Every table line printed here stands in uncertainty.md; returns how many do not."""
    import contextlib
    import io

    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        print_all()
    path = Path(__file__).with_name("uncertainty.md")
    document = set(path.read_text(encoding="utf-8").splitlines())
    missing = [line for line in out.getvalue().splitlines() if line and line not in document]
    for line in missing:
        print("not in uncertainty.md:", line)
    return len(missing)


if __name__ == "__main__":
    if sys.argv[1:] == ["--check"]:
        worst = max(check(), check_change())
        missing = check_document()
        print(f"largest difference from random trials {100 * worst:.1f} %, missing lines {missing}")
        sys.exit(1 if worst > 0.03 or missing else 0)
    print_all()
