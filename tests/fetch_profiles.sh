#!/usr/bin/env bash
# Fetches load profiles (kW and kvar, a year by the quarter hour) for the tests.
#
# They are part of the SimBench database, under the Open Database License 1.0 with the
# Database Contents License (attribution, share-alike of a published derived database), inside
# the source distribution of the Python package simbench 1.6.3. So they are fetched when the
# tests run, cut down to the two profiles needed, and never part of this repository. Nothing
# of the package is installed or run.
#
# Usage: fetch_profiles.sh FOLDER
set -euo pipefail
folder=${1:?usage: fetch_profiles.sh FOLDER}
mkdir -p "$folder"
cd "$folder"

whole() {
    sha256sum --check --status --strict - <<SUMS
20050f76084b1ee3a7e139499903544c55c056cd5635cc6e300f3a243dfff2c3  profiles.csv
SUMS
}

if whole 2>/dev/null; then
    exit 0
fi

fresh=$(mktemp -d "$PWD/fetch.XXXXXX")
trap 'rm -rf "$fresh"' EXIT
python3 -m pip download --quiet --disable-pip-version-check --no-deps \
    --no-binary :all: --dest "$fresh" simbench==1.6.3
python3 - "$fresh" <<'PYTHON'
import csv, io, pathlib, sys, tarfile
folder = pathlib.Path(sys.argv[1])
wanted = ["time", "G6-A_pload", "G6-A_qload", "G4-M_pload", "G4-M_qload"]
member = "simbench-1.6.3/simbench/networks/1-complete_data-mixed-all-0-sw/LoadProfile.csv"
with tarfile.open(next(folder.glob("*.tar.gz"))) as archive:
    text = io.TextIOWrapper(archive.extractfile(member), encoding="utf-8", newline="")
    rows = csv.reader(text, delimiter=";")
    header = next(rows)
    columns = [header.index(name) for name in wanted]
    with open(folder / "profiles.csv", "w", encoding="utf-8", newline="\n") as out:
        out.write(";".join(wanted) + "\n")
        for row in rows:
            out.write(";".join(row[c] for c in columns) + "\n")
PYTHON
mv "$fresh"/profiles.csv .
whole || { echo "the profiles fetched are not those that were published" >&2; exit 1; }
