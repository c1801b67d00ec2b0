#!/usr/bin/env python3
"""Compares the way from frames to readings with numpy on the same samples.

Makes a virtual environment below target/, installs numpy there, lets the
benchmark `measure_path` write a minute of a feeder (six channels, 8000 frames a
second) and times numpy at RMS, P and fundamental phasors of each window of the
same array, in the plain way and by matrix products. numpy gets the samples as
doubles in whichever order of axes is best for it, already cut into windows of
whole cycles; the program starts from integers and finds the windows itself.

Prints a table in Markdown. Exits with 1 when a target is missed:
at most 2 times a bare loop in integers, at least 8 times as fast as plain numpy,
at least 2.5 times as fast as numpy at its best.

Usage: numpy_ratio.py            (everything)
       numpy_ratio.py --inside FRAMES.bin    (numpy's part, inside the environment)
"""
import json
import math
import os
import pathlib
import subprocess
import sys
import tempfile
import time

WINDOW = 1600
CHANNELS = 6
CYCLES = 10
ROUNDS = 15


def inside(path):
    import numpy as np

    raw = np.fromfile(path, dtype="<i4").reshape(-1, WINDOW, CHANNELS)
    windows = raw.shape[0]
    frames = windows * WINDOW
    rows = np.ascontiguousarray(raw.astype(np.float64))
    columns = np.ascontiguousarray(rows.transpose(0, 2, 1))
    angle = 2 * math.pi * CYCLES * (np.arange(WINDOW) + 0.5) / WINDOW
    unit = np.exp(-1j * angle) * (math.sqrt(2) / WINDOW)
    pair = np.stack([unit.real, unit.imag], axis=1)

    def plain_rows():
        rms = np.sqrt((rows**2).mean(axis=1))
        p = (rows[:, :, :3] * rows[:, :, 3:]).mean(axis=1)
        return rms, p, (rows * unit[None, :, None]).sum(axis=1)

    def plain_columns():
        rms = np.sqrt((columns**2).mean(axis=2))
        p = (columns[:, :3] * columns[:, 3:]).mean(axis=2)
        return rms, p, (columns * unit).sum(axis=2)

    def plain_windows():
        out = []
        for x in columns:
            rms = np.sqrt(np.mean(x**2, axis=1))
            out.append((rms, np.mean(x[:3] * x[3:], axis=1), np.sum(x * unit, axis=1)))
        rms, p, z = zip(*out)
        return np.array(rms), np.array(p), np.array(z)

    def gathered(products, phasors):
        products = products / WINDOW
        square = np.sqrt(np.einsum("wkk->wk", products))
        return square, np.einsum("wkk->wk", products[:, :3, 3:]), phasors

    def matrix_rows():
        z = np.matmul(rows.transpose(0, 2, 1), pair)
        return gathered(np.matmul(rows.transpose(0, 2, 1), rows), z[..., 0] + 1j * z[..., 1])

    def matrix_columns():
        z = columns.reshape(-1, WINDOW) @ pair
        z = (z[:, 0] + 1j * z[:, 1]).reshape(windows, CHANNELS)
        return gathered(np.matmul(columns, columns.transpose(0, 2, 1)), z)

    def matrix_einsum():
        square = np.sqrt(np.einsum("wkn,wkn->wk", columns, columns) / WINDOW)
        p = np.einsum("wkn,wkn->wk", columns[:, :3], columns[:, 3:]) / WINDOW
        z = columns.reshape(-1, WINDOW) @ pair
        return square, p, (z[:, 0] + 1j * z[:, 1]).reshape(windows, CHANNELS)

    def matrix_vectors():
        x = columns[:, :, None, :]
        square = np.matmul(x, columns[:, :, :, None])[..., 0, 0]
        p = np.matmul(x[:, :3], columns[:, 3:, :, None])[..., 0, 0] / WINDOW
        z = columns.reshape(-1, WINDOW) @ pair
        z = (z[:, 0] + 1j * z[:, 1]).reshape(windows, CHANNELS)
        return np.sqrt(square / WINDOW), p, z

    def best_time(way):
        times = []
        for _ in range(ROUNDS):
            start = time.perf_counter()
            way()
            times.append(time.perf_counter() - start)
        return min(times) / frames * 1e9

    plain = [plain_rows, plain_columns, plain_windows]
    matrix = [matrix_rows, matrix_columns, matrix_einsum, matrix_vectors]
    truth = plain_columns()
    for way in plain + matrix:
        for got, want in zip(way(), truth):
            assert np.allclose(got, want, rtol=1e-9, atol=1e-3), way.__name__
    result = {
        "numpy": np.__version__,
        "plain": {w.__name__: best_time(w) for w in plain},
        "matrix": {w.__name__: best_time(w) for w in matrix},
        "first_rms": truth[0][0].tolist(),
    }
    json.dump(result, sys.stdout)


def environment(root):
    folder = root / "target" / "numpy-venv"
    python = folder / "bin" / "python"
    if subprocess.run([python, "-c", "import numpy"], capture_output=True).returncode if python.exists() else True:
        subprocess.run([sys.executable, "-m", "venv", folder], check=True)
        subprocess.run([python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "numpy"], check=True)
    return python


def main():
    root = pathlib.Path(__file__).resolve().parent.parent
    python = environment(root)
    # Set where older numerical libraries need it; a current numpy only loses speed by them.
    clean = {k: v for k, v in os.environ.items() if k not in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")}
    # The program uses one core, so numpy gets one too.
    clean["OPENBLAS_NUM_THREADS"] = "1"
    with tempfile.TemporaryDirectory() as scratch:
        frames = str(pathlib.Path(scratch) / "frames.bin")
        bench = ["cargo", "bench", "--quiet", "-p", "wattless-tests", "--bench", "measure_path", "--"]
        out = subprocess.run(bench + ["--json", "--frames", frames], cwd=root, check=True, capture_output=True, text=True)
        own = json.loads(out.stdout.strip().splitlines()[-1])
        out = subprocess.run([python, __file__, "--inside", frames], env=clean, check=True, capture_output=True, text=True)
        other = json.loads(out.stdout)
    path = own["measure_ns"]
    rows = [
        ("frames to readings (windows found, all products, phasors, RMS, P, Q1, S)", path),
        ("bare Rust loop, integers: six squares, three products, six phasors", own["bare_integers_ns"]),
        ("bare Rust loop, doubles: the same", own["bare_doubles_ns"]),
        ("plain numpy %s: the same, windows given" % other["numpy"], min(other["plain"].values())),
        ("numpy by matrix products: the same", min(other["matrix"].values())),
    ]
    print("| way | ns a frame | against the first |")
    print("|---|---|---|")
    for name, ns in rows:
        print("| %s | %.1f | %.2f |" % (name, ns, ns / path))
    targets = [
        ("at most 2 times the bare loop in integers", path <= 2 * own["bare_integers_ns"]),
        ("8 times as fast as plain numpy", min(other["plain"].values()) >= 8 * path),
        ("2.5 times as fast as numpy's best", min(other["matrix"].values()) >= 2.5 * path),
    ]
    for name, met in targets:
        print("%s: %s" % ("met" if met else "MISSED", name), file=sys.stderr)
    print(json.dumps({"own": own, "numpy": other}), file=sys.stderr)
    sys.exit(0 if all(met for _, met in targets) else 1)


if len(sys.argv) == 3 and sys.argv[1] == "--inside":
    inside(sys.argv[2])
else:
    main()
