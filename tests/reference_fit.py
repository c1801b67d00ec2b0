"""Weighted least squares and Student's t by numpy and scipy: an outside reference.

Reads one JSON object on standard input, writes one on standard output. Run by
tests/tests/fit_reference.rs in an environment of its own under target/.
"""

import json
import sys

import numpy
from scipy import stats

asked = json.load(sys.stdin)
x = numpy.array(asked["columns"]).T
y = numpy.array(asked["y"])
w = numpy.array(asked["weights"])
root = numpy.sqrt(w)
b, _, _, _ = numpy.linalg.lstsq(x * root[:, None], y * root, rcond=None)
rest = y - x @ b
variance = float(numpy.sum(w * rest * rest)) / (len(y) - len(b))
covariance = variance * numpy.linalg.inv((x * w[:, None]).T @ x)
json.dump(
    {
        "coefficients": b.tolist(),
        "standard_errors": numpy.sqrt(numpy.diag(covariance)).tolist(),
        "residual_sd": variance**0.5,
        "t": [float(stats.t.ppf(0.5 + c / 2, f)) for c, f in asked["t"]],
    },
    sys.stdout,
)
