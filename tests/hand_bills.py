"""Three tariffs reckoned by other code, to the cent, against `wattless bill --json`.

Usage: hand_bills.py PROGRAM TARIFF FOLDER: the program, the example tariff, a folder for files.
A year of quarter hours in the time zone Europe/Berlin, whose clocks change on the last Sundays of
March and October at 01:00 UTC (Directive 2000/84/EC). Easter by the anonymous Gregorian rule (from
memory). Prints each month that differs; exit code 1 if one does.
"""

import datetime
import json
import math
import subprocess
import sys
from collections import defaultdict
from decimal import ROUND_HALF_UP, Decimal

PROGRAM, EXAMPLE, FOLDER = sys.argv[1:4]
YEAR = 2026
QUARTER = datetime.timedelta(minutes=15)


def last_sunday(month):
    day = datetime.datetime(YEAR, month, 31, 1)
    return day - datetime.timedelta(days=(day.weekday() + 1) % 7)


def local(utc):
    summer = last_sunday(3) <= utc < last_sunday(10)
    return utc + datetime.timedelta(hours=2 if summer else 1), 2 if summer else 1


def easter():
    a, b, c = YEAR % 19, YEAR // 100, YEAR % 100
    h = (19 * a + b - b // 4 - (b - (b + 8) // 25 + 1) // 3 + 15) % 30
    k = (32 + 2 * (b % 4) + 2 * (c // 4) - h - c % 4) % 7
    n = h + k - 7 * ((a + 11 * h + 22 * k) // 451) + 114
    return datetime.date(YEAR, n // 31, n % 31 + 1)


def load():
    """Local time, kW and kvar of every quarter hour, as in the file; leading at night."""
    rows, lines, state = [], [], 12345
    utc = datetime.datetime(YEAR - 1, 12, 31, 23)
    while utc < datetime.datetime(YEAR, 12, 31, 23):
        state = (state * 1103515245 + 12345) % 2**31
        noise = state / 2**31
        at, offset = local(utc)
        works = at.weekday() < 5 and 6 <= at.hour < 18
        season = 1 + 0.3 * math.cos((at.timetuple().tm_yday - 15) / 365 * 2 * math.pi)
        kw = round((120 + 80 * noise) * season if works else 20 + 5 * noise, 2)
        kvar = round((100 + 70 * noise) * season if works else -12 + 10 * noise, 2)
        rows.append((at, kw, kvar))
        lines.append(f"{at.isoformat()}+0{offset}:00,{kw},{kvar}\n")
        utc += QUARTER
    with open(f"{FOLDER}/year.csv", "w") as out:
        out.write("start,kw,kvar\n" + "".join(lines))
    months = defaultdict(list)
    for row in rows:
        months[row[0].month].append(row)
    return months


def cents(x):
    return Decimal(repr(round(float(x), 9))).quantize(Decimal("0.01"), ROUND_HALF_UP)


def milli(x):
    return round(x, 3)


def half_up(x):
    return math.floor(x + 0.5)


def by_time_of_use(months):
    """The example: seasons, holidays, rounding, ratchet, kvarh by period, surcharge, duty."""
    e = easter()
    days = datetime.timedelta
    free = {datetime.date(YEAR, *x) for x in [(1, 1), (5, 1), (12, 25), (12, 26)]}
    free |= {e - days(2), e + days(1)}
    demands = []
    for month in range(1, 13):
        peak_kwh = off_kwh = peak_kvarh = lead = kwh = lagging = peak = 0.0
        for at, kw, kvar in months[month]:
            summer = 4 <= at.month <= 9
            weekday = 6 if at.date() in free else at.weekday()
            hours = range(8, 18) if summer else [*range(7, 12), *range(16, 20)]
            kwh, lagging, peak = kwh + kw / 4, lagging + max(kvar, 0) / 4, max(peak, kw)
            if weekday < 5 and at.hour in hours:
                peak_kwh, peak_kvarh = peak_kwh + kw / 4, peak_kvarh + max(kvar, 0) / 4
            else:
                off_kwh, lead = off_kwh + kw / 4, lead + max(-kvar, 0) / 4
        pf = half_up(kwh / math.hypot(kwh, lagging) * 100) / 100
        own = half_up(peak)
        billed = max(own, half_up(0.70 * max(demands[-11:], default=0)))
        demands.append(own)
        demand = cents(11.20 * billed)
        lines = [cents(48.50), cents(0.1470 * milli(peak_kwh)), cents(0.1085 * milli(off_kwh)), demand]
        lines.append(cents(0.0215 * max(0, milli(peak_kvarh - 0.33 * peak_kwh))))
        lines.append(cents(0.0120 * milli(lead)))
        lines.append(cents(float(demand) * max(0, (0.90 - pf) * 100) * 0.01))
        lines.append(cents(float(sum(lines)) * 0.05))
        yield sum(lines)


SLIDING = """
currency = "EUR"
time_zone = "Europe/Berlin"
[demand]
kind = "sliding"
interval_min = 30
sub_interval_min = 15
[[charge]]
clause = "energy"
name = "E"
tiers = [{ up_to_kwh = 20000, rate_per_kwh = 0.2 }, { rate_per_kwh = 0.1 }]
[[charge]]
clause = "demand"
name = "D"
rate_per_kva = 9.5
ratchet_share = 0.85
ratchet_months = 11
[[charge]]
clause = "fixed"
name = "Credit"
credit = true
amount = -75.5
[[charge]]
clause = "minimum"
name = "Min"
amount = 6000
[[charge]]
clause = "tax"
name = "Tax"
percent = 19
"""

HISTORY = "month,kwh,kw,kva\n2025-11,40000,250,310\n2025-12,41000,240,300\n"


def by_sliding_demand(months):
    """Tiers, kVA of a sliding half hour, ratchet over the turn of the year, credit, minimum, tax."""
    past, before = [310.0, 300.0], None
    for month in range(1, 13):
        kwh = best = 0.0
        for at, kw, kvar in months[month]:
            kwh += kw / 4
            if before:
                best = max(best, math.hypot((before[0] + kw) / 2, (before[1] + kvar) / 2))
            before = (kw, kvar)
        best, kwh = milli(best), milli(kwh)
        billed = milli(max(best, 0.85 * max(past[-11:])))
        past.append(best)
        lines = [cents(min(kwh, 20000) * 0.2 + max(kwh - 20000, 0) * 0.1), cents(9.5 * billed)]
        lines.append(Decimal("-75.50"))
        lines.append(max(Decimal(0), Decimal(6000) - sum(lines)))
        lines.append(cents(float(sum(lines)) * 0.19))
        yield sum(lines)


KVAR = """
currency = "EUR"
time_zone = "Europe/Berlin"
[demand]
interval_min = 60
[power_factor]
basis = "at-peak-kw"
decimals = 2
rounding = "down"
[[charge]]
clause = "energy"
name = "E"
rate_per_kwh = 0.12
[[charge]]
clause = "demand"
name = "D"
rate_per_kw = 8
target_pf = 0.95
[[charge]]
clause = "kvar"
name = "Q"
rate_per_kvar = 1.5
share_of_kw = 0.4
kw_months = 2
[[charge]]
clause = "kvarh"
name = "QI"
per = "interval"
share_of_kwh = 0.5
rate_per_kvarh = 0.03
[[charge]]
clause = "kvarh"
name = "QL"
per = "interval"
direction = "leading"
share_of_kwh = 0.1
rate_per_kvarh = 0.02
[[charge]]
clause = "pf-table"
name = "PT"
of = "E"
credit = true
bands = [{ from_pf = 0, to_pf = 0.75, percent = 6 }, { from_pf = 0.75, to_pf = 0.85, percent = 3 },
  { from_pf = 0.85, to_pf = 1, percent = -1 }]
[[charge]]
clause = "tax"
name = "Tax"
percent = 7.7
of = ["E", "D"]
"""


def by_kvar(months):
    """PF at the peak rounded down, kvar over a share of three months' kW, kvarh by the hour."""
    highest = []
    for month in range(1, 13):
        rows = months[month]
        hours = [rows[k : k + 4] for k in range(0, len(rows), 4)]
        mean = lambda h, of: sum(of(x) for x in h) / 4
        of_hour = [
            (mean(h, lambda x: x[1]), mean(h, lambda x: x[2]),
             mean(h, lambda x: max(x[2], 0)), mean(h, lambda x: max(-x[2], 0)))
            for h in hours
        ]
        kwh = sum(x[1] for x in rows) / 4
        peak = max(of_hour, key=lambda x: x[0])
        pf = math.floor(peak[0] / math.hypot(peak[0], max(peak[1], 0)) * 100 + 1e-9) / 100
        highest.append(peak[0])
        energy = cents(0.12 * milli(kwh))
        demand = cents(8 * milli(peak[0] * 0.95 / pf if pf < 0.95 else peak[0]))
        over = max(0, max(x[1] for x in of_hour) - 0.4 * max(highest[-3:]))
        kvar = cents(1.5 * milli(over))
        lagging = cents(0.03 * milli(sum(max(0, x[2] - 0.5 * x[0]) for x in of_hour)))
        leading = cents(0.02 * milli(sum(max(0, x[3] - 0.1 * x[0]) for x in of_hour)))
        band = cents(float(energy) * (6 if pf < 0.75 else 3 if pf < 0.85 else -1) / 100)
        tax = cents(float(energy + demand) * 0.077)
        yield energy + demand + kvar + lagging + leading + band + tax


def billed(tariff, *more):
    command = [PROGRAM, "bill", "--intervals", f"{FOLDER}/year.csv", "--tariff", tariff, "--json"]
    done = subprocess.run([*command, *more], capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stderr)
    return json.loads(done.stdout)["months"]


def write(name, text):
    with open(f"{FOLDER}/{name}", "w") as out:
        out.write(text)
    return f"{FOLDER}/{name}"


months = load()
history = write("history.csv", HISTORY)
wrong = 0
for name, out, hand in [
    ("time of use", billed(EXAMPLE), by_time_of_use(months)),
    ("sliding", billed(write("sliding.toml", SLIDING), "--history", history), by_sliding_demand(months)),
    ("kvar", billed(write("kvar.toml", KVAR)), by_kvar(months)),
]:
    hand = list(hand)
    if len(out) != 12:
        sys.exit(f"{name}: {len(out)} months")
    for month, (program, own) in enumerate(zip(out, hand), 1):
        if abs(program["total"] - float(own)) > 0.005:
            wrong += 1
            lines = [(x["name"], x["quantity"], x["amount"]) for x in program["lines"]]
            print(f"{name}, month {month}: the program has {program['total']}, by hand {own}: {lines}")
    print(f"{name}: {sum(hand)} a year")
sys.exit(wrong > 0)
