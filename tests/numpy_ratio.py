#!/usr/bin/env python3
"""Compares the way from frames to readings with numpy on the same samples.

Makes a virtual environment below target/, installs numpy there, lets the
benchmark `measure_path` write a minute of a feeder (six channels of integers,
8000 frames a second, frame by frame as a converter delivers them) and times numpy
at RMS, P and fundamental phasors of each window of the same array:

- plain: expressions over the whole array, one axis a window;
- window by window: the same expressions on one window after the other, which keeps
  them in the processor's cache;
- matrix products: all products of a window at once, in the best of several ways;
- prepared: matrix products on samples that are doubles already and lie in whichever
  order is best, which costs numpy nothing here.

There numpy is given windows of whole cycles; the program finds them itself, and takes all
products of six channels instead of nine.

For the harmonics there is a second feeder, at 50.02 Hz, where windows end between two
frames and whose frequency nobody tells: numpy follows the first voltage's phase, finds the
windows, and takes them by its FFT from the nearest frame to the nearest (all of a length
at once, or one by one), by its FFT of frames interpolated so that a window holds whole
cycles, or by a table made for the frequency found. The errors of the harmonics are printed;
ways with more than 0.05 % of the fundamental are shown, but do not make the same figures.

Prints a table in Markdown, and on the other channel which targets are met:
at most 2 times a bare loop in integers, at least 8 times as fast as plain numpy,
at least 2.5 times as fast as numpy's matrix products, with harmonics at least 8 times as
fast as numpy with its FFT to the same figures (windows found). Exits with 1 when one is missed.

Usage: numpy_ratio.py            (everything)
       numpy_ratio.py --inside FRAMES.bin OFF.bin HZ    (numpy's part, inside the environment)
"""
import json
import math
import os
import pathlib
import subprocess
import sys
import tempfile
import time

from python_env import environment

WINDOW = 1600
CHANNELS = 6
CYCLES = 10
ORDERS = 50
ROUNDS = 15
RATE = 8000.0
NOMINAL = 50.0


def figures(np, x, spectrum, length):
    """What the program reads of windows, channels before frames; `spectrum` at the harmonics."""
    rms = np.sqrt((x**2).mean(axis=-1))
    p = (x[..., :3, :] * x[..., 3:, :]).mean(axis=-1)
    lines = np.sqrt(((x[..., :3, :] - x[..., [1, 2, 0], :]) ** 2).mean(axis=-1))
    neutral = np.sqrt((x[..., 3:, :].sum(axis=-2) ** 2).mean(axis=-1))
    phasors = spectrum * (math.sqrt(2) / length)
    squares = phasors.real**2 + phasors.imag**2
    thd = np.sqrt(squares[..., 1:].sum(axis=-1) / squares[..., 0])
    return rms, p, phasors, thd, lines, neutral, x.mean(axis=-1), np.abs(x).max(axis=-1)


def windows_found(path, hz):
    """Times numpy from frames whose frequency nobody tells to the figures of each window."""
    import numpy as np

    raw = np.fromfile(path, dtype="<i4").reshape(-1, CHANNELS)
    step = int(RATE / NOMINAL)
    carrier = np.exp(-2j * math.pi * NOMINAL * np.arange(len(raw)) / RATE)
    # Two cycles, raised to a bell: keeps harmonics out of the phase.
    bell = np.hanning(4 * step + 1)[1:]

    def edges(x):
        """Frames where a window ends, from the phase of the first voltage every cycle."""
        turned = x[0] * carrier[: x.shape[1]]
        pieces = np.lib.stride_tricks.sliding_window_view(turned, len(bell))[::step]
        turns = np.unwrap(np.angle(pieces @ bell)) / (2 * math.pi)
        at = step * np.arange(len(turns)) + len(bell) / 2 - 0.5
        turns += NOMINAL * at / RATE
        # Straight on at both ends, by the mean frequency.
        slope = (turns[-1] - turns[0]) / (at[-1] - at[0])
        first = turns[0] - slope * at[0]
        whole = np.arange(0.0, (x.shape[1] - 0.5) * slope, CYCLES)
        found = np.interp(first + whole, turns, at)
        for k, turn in enumerate(first + whole):
            if turn < turns[0] or turn > turns[-1]:
                found[k] = at[0] + (turn - turns[0]) / slope
        return found, slope

    bins = CYCLES * np.arange(1, ORDERS + 1)

    def cut():
        x = np.ascontiguousarray(raw.T).astype(np.float64)
        found, slope = edges(x)
        starts = np.rint(found).astype(int)
        return x, starts, found, slope

    def all_of_a_length():
        x, starts, _, _ = cut()
        lengths = np.diff(starts)
        parts = [None] * len(lengths)
        for length in np.unique(lengths):
            chosen = np.flatnonzero(lengths == length)
            windows = np.stack([x[:, a : a + length] for a in starts[chosen]])
            spectrum = np.fft.rfft(windows, axis=2)[:, :, bins]
            got = figures(np, windows, spectrum, length)
            for k, w in enumerate(chosen):
                parts[w] = [g[k] for g in got]
        return parts

    def one_by_one():
        x, starts, _, _ = cut()
        parts = []
        for a, b in zip(starts, starts[1:]):
            window = x[:, a:b]
            parts.append(figures(np, window, np.fft.rfft(window, axis=1)[:, bins], b - a))
        return parts

    def resampled():
        """Four-point cubics onto frames that fit, then the FFT: all windows at once."""
        x, _, found, _ = cut()
        at = found[:-1, None] + np.diff(found)[:, None] * (np.arange(WINDOW) / WINDOW)
        below = np.floor(at).astype(int)
        t = at - below
        weights = (
            -t * (t - 1) * (t - 2) / 6,
            (t + 1) * (t - 1) * (t - 2) / 2,
            -(t + 1) * t * (t - 2) / 2,
            (t + 1) * t * (t - 1) / 6,
        )
        inner = slice(int(below[0, 0] < 1), len(at) - int(below[-1, -1] > x.shape[1] - 3))
        below = below[inner]
        windows = sum(w[inner] * x[:, below + k - 1] for k, w in enumerate(weights))
        windows = np.ascontiguousarray(windows.transpose(1, 0, 2))
        return list(zip(*figures(np, windows, np.fft.rfft(windows, axis=2)[:, :, bins], WINDOW)))

    def by_table():
        """Nearest frames, what they have too much or too little put right at both ends."""
        x, starts, found, slope = cut()
        longest = int(np.diff(starts).max())
        orders = np.arange(1, ORDERS + 1)
        table = np.exp(-2j * math.pi * slope * np.outer(np.arange(longest), orders))
        half = np.exp(1j * math.pi * slope * orders)
        table = np.concatenate([table.real, table.imag], axis=1)
        parts = []
        for k, (a, b) in enumerate(zip(starts, starts[1:])):
            window = x[:, a:b]
            both = window @ table[: b - a]
            ends = (a - found[k]) * (x[:, max(a - 1, 0)] + x[:, a]) / 2
            ends += (found[k + 1] - b) * (x[:, b - 1] + x[:, min(b, x.shape[1] - 1)]) / 2
            spectrum = both[:, :ORDERS] + 1j * both[:, ORDERS:] + np.outer(ends, half)
            parts.append(figures(np, window, spectrum, found[k + 1] - found[k]))
        return parts

    # What was made: harmonics as shares of the fundamental, see the benchmark's feeder.
    made = np.zeros((CHANNELS, ORDERS))
    made[:, 0] = 1
    made[:3, 4] = 0.03
    made[3:, 4], made[3:, 6], made[3:, 10] = 0.20, 0.14, 0.09
    result = {"hz": hz}
    for way in (all_of_a_length, one_by_one, resampled, by_table):
        parts = way()
        shares = np.array([np.abs(part[2]) / np.abs(part[2][:, :1]) for part in parts])
        worst = np.abs(shares - made).max()
        # Far from nothing, and far from the errors of a wrong window.
        assert len(parts) >= len(raw) * hz / RATE / CYCLES - 2, way.__name__
        assert worst < 0.002, (way.__name__, worst)
        times = []
        for _ in range(ROUNDS):
            start = time.perf_counter()
            way()
            times.append(time.perf_counter() - start)
        result[way.__name__] = {"ns": min(times) / len(raw) * 1e9, "worst_share": worst}
    return result


def inside(path, off_path, hz):
    import numpy as np

    raw = np.fromfile(path, dtype="<i4").reshape(-1, WINDOW, CHANNELS)
    windows = raw.shape[0]
    frames = windows * WINDOW
    doubles = raw.astype(np.float64)
    columns = np.ascontiguousarray(doubles.transpose(0, 2, 1))
    angle = 2 * math.pi * CYCLES * (np.arange(WINDOW) + 0.5) / WINDOW
    unit = np.exp(-1j * angle) * (math.sqrt(2) / WINDOW)
    pair = np.stack([unit.real, unit.imag], axis=1)
    both = np.ascontiguousarray(pair.T)

    def plain():
        x = raw.astype(np.float64)
        rms = np.sqrt((x**2).mean(axis=1))
        p = (x[:, :, :3] * x[:, :, 3:]).mean(axis=1)
        return rms, p, (x * unit[None, :, None]).sum(axis=1)

    def plain_by_channel():
        x = np.ascontiguousarray(raw.transpose(0, 2, 1)).astype(np.float64)
        rms = np.sqrt((x**2).mean(axis=2))
        p = (x[:, :3] * x[:, 3:]).mean(axis=2)
        return rms, p, (x * unit).sum(axis=2)

    def stacked(parts):
        return tuple(np.array(part) for part in zip(*parts))

    def by_window():
        out = []
        for window in raw:
            x = np.ascontiguousarray(window.T).astype(np.float64)
            rms = np.sqrt(np.mean(x**2, axis=1))
            out.append((rms, np.mean(x[:3] * x[3:], axis=1), np.sum(x * unit, axis=1)))
        return stacked(out)

    def from_products(products, z):
        products = products / WINDOW
        rms = np.sqrt(np.einsum("wkk->wk", products))
        return rms, np.einsum("wkk->wk", products[:, :3, 3:]), z[..., 0] + 1j * z[..., 1]

    def matrix_rows(x):
        t = x.transpose(0, 2, 1)
        return from_products(np.matmul(t, x), np.matmul(t, pair))

    def matrix_columns(x):
        z = (x.reshape(-1, WINDOW) @ pair).reshape(-1, CHANNELS, 2)
        return from_products(np.matmul(x, x.transpose(0, 2, 1)), z)

    def matrix_vectors(x):
        square = np.matmul(x[:, :, None, :], x[:, :, :, None])[..., 0, 0]
        p = np.matmul(x[:, :3, None, :], x[:, 3:, :, None])[..., 0, 0] / WINDOW
        z = (x.reshape(-1, WINDOW) @ pair).reshape(-1, CHANNELS, 2)
        return np.sqrt(square / WINDOW), p, z[..., 0] + 1j * z[..., 1]

    def matrix_sums(x):
        square = np.einsum("wkn,wkn->wk", x, x) / WINDOW
        p = np.einsum("wkn,wkn->wk", x[:, :3], x[:, 3:]) / WINDOW
        z = (x.reshape(-1, WINDOW) @ pair).reshape(-1, CHANNELS, 2)
        return np.sqrt(square), p, z[..., 0] + 1j * z[..., 1]

    def matrix_by_window():
        products, phasors = [], []
        for window in raw:
            x = window.astype(np.float64)
            products.append(x.T @ x)
            phasors.append((both @ x).T)
        return from_products(np.array(products), np.array(phasors))

    def matrix_whole():
        return matrix_rows(raw.astype(np.float64))

    def matrix_turned():
        return matrix_vectors(np.ascontiguousarray(raw.transpose(0, 2, 1)).astype(np.float64))

    def prepared_rows():
        return matrix_rows(doubles)

    def prepared_columns():
        return matrix_columns(columns)

    def prepared_vectors():
        return matrix_vectors(columns)

    def prepared_sums():
        return matrix_sums(columns)

    def harmonics_of(lines):
        squares = lines.real**2 + lines.imag**2
        return lines, np.sqrt(squares[:, 1:].sum(axis=1) / squares[:, 0])

    bins = CYCLES * np.arange(1, ORDERS + 1)
    scale = math.sqrt(2) / WINDOW

    def plain_with_fft():
        x = raw.astype(np.float64)
        rms = np.sqrt((x**2).mean(axis=1))
        p = (x[:, :, :3] * x[:, :, 3:]).mean(axis=1)
        lines = np.sqrt(((x[:, :, :3] - x[:, :, [1, 2, 0]]) ** 2).mean(axis=1))
        neutral = np.sqrt((x[:, :, 3:].sum(axis=2) ** 2).mean(axis=1))
        rest = (lines, neutral, x.mean(axis=1), np.abs(x).max(axis=1))
        return rms, p, harmonics_of(np.fft.rfft(x, axis=1)[:, bins] * scale), rest

    def plain_by_channel_with_fft():
        x = np.ascontiguousarray(raw.transpose(0, 2, 1)).astype(np.float64)
        spectrum = np.fft.rfft(x, axis=2)[:, :, bins]
        rms, p, phasors, thd, *rest = figures(np, x, spectrum, WINDOW)
        return rms, p, (phasors.transpose(0, 2, 1), thd), rest

    # Line voltages and the neutral's current as combinations of the products.
    pairs = np.array([[1, -1, 0, 0, 0, 0], [0, 1, -1, 0, 0, 0], [-1, 0, 1, 0, 0, 0], [0, 0, 0, 1, 1, 1.0]])

    def of_products(x):
        products = x.T @ x / WINDOW
        sums = np.sqrt(np.einsum("rj,jk,rk->r", pairs, products, pairs))
        peak = np.maximum(x.max(axis=0), -x.min(axis=0))
        return np.sqrt(np.diag(products)), np.diag(products[:3, 3:]), sums, np.ones(WINDOW) @ x / WINDOW, peak

    def from_windows(out, scale):
        rms, p, sums, mean, peak, lines = stacked(out)
        if np.iscomplexobj(lines):
            lines = lines * scale
        else:
            lines = lines[:, :ORDERS] + 1j * lines[:, ORDERS:]
        return rms, p, harmonics_of(lines), (sums[:, :3], sums[:, 3], mean, peak)

    def matrix_with_fft():
        out = []
        for window in raw:
            x = window.astype(np.float64)
            out.append((*of_products(x), np.fft.rfft(x.T, axis=1)[:, bins].T))
        return from_windows(out, scale)

    table = np.exp(-2j * math.pi * np.outer(bins, np.arange(WINDOW)) / WINDOW) * scale
    table = np.concatenate([table.real, table.imag])

    def matrix_with_table():
        out = []
        for window in raw:
            x = window.astype(np.float64)
            out.append((*of_products(x), table @ x))
        return from_windows(out, 1.0)

    def best_time(way):
        times = []
        for _ in range(ROUNDS):
            start = time.perf_counter()
            way()
            times.append(time.perf_counter() - start)
        return min(times) / frames * 1e9

    groups = {
        "plain": [plain, plain_by_channel],
        "by_window": [by_window],
        "matrix": [matrix_by_window, matrix_whole, matrix_turned],
        "prepared": [prepared_rows, prepared_columns, prepared_vectors, prepared_sums],
    }
    truth = plain()
    result = {"numpy": np.__version__}
    for group, ways in groups.items():
        for way in ways:
            for got, want in zip(way(), truth):
                assert np.allclose(got, want, rtol=1e-9, atol=1e-3), way.__name__
        result[group] = {way.__name__: best_time(way) for way in ways}
    fft_truth = plain_with_fft()
    for group, ways in {"fft_plain": [plain_with_fft, plain_by_channel_with_fft], "fft_best": [matrix_with_fft, matrix_with_table]}.items():
        for way in ways:
            got = way()
            for a, b in zip(got[:2] + got[2], fft_truth[:2] + fft_truth[2]):
                assert np.allclose(a, b, rtol=1e-9, atol=1e-3), way.__name__
            # The root of a difference of products that nearly cancel.
            for a, b in zip(got[3], fft_truth[3]):
                assert np.allclose(a, b, rtol=1e-9, atol=1.0), way.__name__
        result[group] = {way.__name__: best_time(way) for way in ways}
    result["found"] = windows_found(off_path, hz)
    json.dump(result, sys.stdout)


def main():
    root = pathlib.Path(__file__).resolve().parent.parent
    python = environment("numpy")
    # Set where older numerical libraries need it; a current numpy only loses speed by them.
    clean = {k: v for k, v in os.environ.items() if k not in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")}
    # The program uses one core, so numpy gets one too.
    clean["OPENBLAS_NUM_THREADS"] = "1"
    with tempfile.TemporaryDirectory() as scratch:
        frames = str(pathlib.Path(scratch) / "frames.bin")
        off = str(pathlib.Path(scratch) / "off.bin")
        bench = ["cargo", "bench", "--quiet", "-p", "wattless-tests", "--bench", "measure_path", "--"]
        out = subprocess.run(bench + ["--json", "--frames", frames, "--off-frames", off], cwd=root, check=True, capture_output=True, text=True)
        own = json.loads(out.stdout.strip().splitlines()[-1])
        inner = [python, __file__, "--inside", frames, off, str(own["off_hz"])]
        out = subprocess.run(inner, env=clean, check=True, capture_output=True, text=True)
        other = json.loads(out.stdout)
    path = own["measure_ns"]
    harmonics = own["harmonics_ns"]
    best = {group: min(times.values()) for group, times in other.items() if group not in ("numpy", "found")}
    off = own["off_harmonics_ns"]
    found = {way: x for way, x in other["found"].items() if way != "hz"}
    same = [x["ns"] for x in found.values() if x["worst_share"] <= 0.0005]
    rows = [
        ("frames to readings (finds windows; all products, phasors, RMS, P, Q1, S)", path),
        ("bare Rust loop in integers: six squares, three products, six phasors", own["bare_integers_ns"]),
        ("bare Rust loop in doubles: the same", own["bare_doubles_ns"]),
        ("numpy %s, plain: the same" % other["numpy"], best["plain"]),
        ("numpy, window by window: the same", best["by_window"]),
        ("numpy, matrix products: the same", best["matrix"]),
        ("numpy, matrix products on prepared doubles: the same", best["prepared"]),
    ]
    print("| way, on one core | ns a frame | against the first |")
    print("|---|---|---|")
    for name, ns in rows:
        print("| %s | %.1f | %.2f |" % (name, ns, ns / path))
    print()
    print("With harmonics 1 to 50 of six channels as phasors, their distortion, the voltages between lines, the neutral current, means and peaks:")
    print()
    print("| way, on one core | ns a frame | against the first |")
    print("|---|---|---|")
    rows = [
        ("frames to readings with harmonics (finds windows of any frequency)", harmonics),
        ("numpy %s, plain, with its FFT of whole windows" % other["numpy"], best["fft_plain"]),
        ("numpy, window by window: matrix products and the better of FFT and table", best["fft_best"]),
    ]
    for name, ns in rows:
        print("| %s | %.1f | %.2f |" % (name, ns, ns / harmonics))
    print()
    print("The same at %g Hz, which nobody tells numpy either:" % own["off_hz"])
    print()
    print("| way, on one core | ns a frame | against the first | worst error of a harmonic, % of the fundamental |")
    print("|---|---|---|---|")
    print("| frames to readings with harmonics | %.1f | 1.00 | %.5f |" % (off, 100 * own["off_worst_share"]))
    names = {
        "all_of_a_length": "numpy, nearest frames, FFT of all windows of a length",
        "one_by_one": "numpy, nearest frames, FFT window by window",
        "resampled": "numpy, frames interpolated, FFT of all windows",
        "by_table": "numpy, nearest frames with their ends mended, table for the frequency found",
    }
    for way, x in found.items():
        print("| %s | %.1f | %.2f | %.3f |" % (names[way], x["ns"], x["ns"] / off, 100 * x["worst_share"]))
    targets = [
        ("with harmonics 8 times as fast as numpy to the same figures", min(same) >= 8 * off),
        ("at most 2 times the bare loop in integers", path <= 2 * own["bare_integers_ns"]),
        ("8 times as fast as plain numpy", best["plain"] >= 8 * path),
        ("2.5 times as fast as numpy's matrix products", best["matrix"] >= 2.5 * path),
    ]
    for name, met in targets:
        print("%s: %s" % ("met" if met else "MISSED", name), file=sys.stderr)
    print(json.dumps({"own": own, "numpy": other}), file=sys.stderr)
    sys.exit(0 if all(met for _, met in targets) else 1)


if len(sys.argv) == 5 and sys.argv[1] == "--inside":
    inside(sys.argv[2], sys.argv[3], float(sys.argv[4]))
else:
    main()
