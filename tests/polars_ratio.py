"""The bill's quantities of a year against polars on the same sealed Parquet files, in one run.

Both read the files, sum the phases, and make energies, 15-minute demand and PF of every month;
file reading is included on both sides, times are taken inside each process, best of several.
Results must agree. polars is installed below target/; without --store a year of one-minute
records is made.

Usage: polars_ratio.py [--store FOLDER]
"""

import argparse, json, pathlib, subprocess, sys, tempfile, time

from python_env import environment

ROOT = pathlib.Path(__file__).resolve().parent.parent
RUNS = 9


def example(name, *args):
    command = ["cargo", "run", "--release", "--quiet", "-p", "wattless", "--example", name, "--"]
    done = subprocess.run(command + list(args), cwd=ROOT, check=True, stdout=subprocess.PIPE)
    return done.stdout.decode()


def polars_months(files, pl):
    p = [f"p_l{k}_w" for k in (1, 2, 3)]
    q = [f"q1_l{k}_var" for k in (1, 2, 3)]
    hours = pl.col("duration_us") / 3.6e9
    total = lambda names: sum(pl.col(n).cast(pl.Float64) for n in names) * hours
    steps = (
        pl.scan_parquet(files)
        .select(["end_ms", "duration_us", *p, *q])
        .with_columns(p_wh=total(p), q_varh=total(q))
        # A record that ends at a boundary belongs to the interval before it.
        .with_columns(start=(pl.col("end_ms") - pl.duration(milliseconds=1)).dt.truncate("15m"))
        .group_by("start")
        .agg(
            pl.col("p_wh").clip(lower_bound=0).sum(),
            pl.col("q_varh").clip(lower_bound=0).sum().alias("lag"),
            pl.col("q_varh").sum().alias("net"),
        )
    )
    months = steps.group_by(pl.col("start").dt.truncate("1mo")).agg(
        kwh=pl.col("p_wh").sum() / 1e3,
        kvarh_lag=pl.col("lag").sum() / 1e3,
        net=pl.col("net").sum() / 1e3,
        peak_kw=pl.col("p_wh").max() * 4 / 1e3,
    )
    months = months.with_columns(pf=pl.col("kwh") / (pl.col("kwh") ** 2 + pl.col("net") ** 2).sqrt())
    return months.sort("start").collect()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--store")
    parser.add_argument("--at-least", type=float, default=2.0)
    args = parser.parse_args()
    try:
        import polars as pl
    except ModuleNotFoundError:
        return subprocess.run([environment("polars"), __file__, *sys.argv[1:]]).returncode

    with tempfile.TemporaryDirectory() as folder:
        store = args.store
        if store is None:
            store = str(pathlib.Path(folder) / "store")
            example("store_speed", store)
        files = sorted(map(str, pathlib.Path(store).glob("sealed/*/*.parquet")))
        best, frame = float("inf"), None
        for _ in range(RUNS):
            start = time.perf_counter()
            frame = polars_months(files, pl)
            best = min(best, time.perf_counter() - start)
        ours = json.loads(example("bill_speed", store))
    theirs = frame.to_dicts()
    # The newest day is not sealed: only months that both hold whole are compared.
    checked = 0
    for a, b in list(zip(ours["months"], theirs))[:-1]:
        for key in ("kwh", "kvarh_lag", "peak_kw", "pf"):
            assert abs(a[key] - b[key]) <= 1e-4 * abs(b[key]), (a["month"], key, a[key], b[key])
            checked += 1
    ratio = best * 1e3 / ours["whole_ms"]
    print(f"polars {pl.__version__}: {best * 1e3:.1f} ms for {len(files)} files")
    print(f"wattless: {ours['whole_ms']:.1f} ms, of that reading {ours['read_ms']:.1f} ms")
    print(f"{ratio:.2f} times faster; {checked} figures agree")
    return 0 if ratio >= args.at_least else 1


if __name__ == "__main__":
    sys.exit(main())
