"""Reads Prometheus text with the parsers of prometheus_client and checks names; prints what is wrong.

Rules: Prometheus documentation, "Metric and label naming" (one prefix, base units, unit as suffix,
counters end in _total) and the OpenMetrics specification (which the strict parser applies).
"""
import re
import sys

from prometheus_client.openmetrics.parser import text_string_to_metric_families as strict
from prometheus_client.parser import text_string_to_metric_families as plain

UNITS = ("volts", "amperes", "watts", "vars", "voltamperes", "joules", "varseconds", "hertz",
         "seconds", "ratio")
COUNTED = ("alarms_standing", "alarm_standing", "link_up")

text = sys.stdin.read()
faults = []
families = list(strict(text))
if not list(plain(text)):
    faults.append("the plain parser finds nothing")
values = {}
for family in families:
    name = family.name
    if not re.fullmatch(r"wattless_[a-z0-9]+(_[a-z0-9]+)*", name):
        faults.append(f"{name}: not of this program, or not in lower case")
    if not family.documentation:
        faults.append(f"{name}: no help")
    short = name.removeprefix("wattless_")
    if family.type == "gauge" and not (short.endswith(UNITS) or short in COUNTED):
        faults.append(f"{name}: no base unit at its end")
    if re.search(r"_(kilo|milli|percent|pct|kw|kva|minutes|hours|wh)(_|$)", name):
        faults.append(f"{name}: not a base unit")
    for sample in family.samples:
        if family.type == "counter" and not sample.name.endswith(("_total", "_created")):
            faults.append(f"{sample.name}: a counter without _total")
        if not sample.labels.get("node"):
            faults.append(f"{sample.name}: no node")
        key = (sample.name, tuple(sorted(sample.labels.items())))
        if key in values:
            faults.append(f"{key}: twice")
        values[key] = sample.value


def total(name, **labels):
    wanted = set(labels.items())
    found = [v for (n, l), v in values.items() if n == f"wattless_{name}" and wanted <= set(l)]
    if not found:
        faults.append(f"{name}: not there")
    return sum(found)


p = total("active_power_watts")
if abs(total("phase_active_power_watts") - p) > 1e-3 * abs(p) + 1e-6:
    faults.append("the phases do not add up to the active power")
s = total("apparent_power_voltamperes")
if s > 0 and abs(total("power_factor_ratio") * s - p) > 1e-3 * s:
    faults.append("power factor, active and apparent power do not fit")
for name in ("reactive_power_vars", "frequency_hertz", "readings_total", "pulls_total",
             "newest_record_timestamp_seconds", "voltage_distortion_ratio"):
    total(name)
if not 0 <= total("voltage_distortion_ratio", phase="L1") < 1:
    faults.append("distortion is no ratio")
if total("active_energy_joules_total", direction="in") <= 0:
    faults.append("no energy is counted")
print("\n".join(faults))
sys.exit(bool(faults))
