#!/usr/bin/env bash
# Every check of the project, in the order in which failures are cheapest to find.
# Needs rustup's stable toolchain with rustfmt and clippy, a C compiler, python3 with pip.
set -euo pipefail
cd "$(dirname "$0")/.."

# The report as PDF is a feature of its own. Everything is built with it, once: other features
# of a dependency would build it, and all that needs it, a second time.
export WATTLESS_FEATURES="--features wattless-tests/pdf"

step() { printf '\n== %s (%s s so far)\n' "$1" "$SECONDS"; }

step "format"
cargo fmt --all --check

step "lint"
cargo clippy --workspace --all-targets --locked $WATTLESS_FEATURES -- -D warnings

step "documentation"
RUSTDOCFLAGS="-D warnings" cargo doc --workspace --no-deps --locked $WATTLESS_FEATURES

# What tests use beside the build: installed where that is allowed, missed by the tests elsewhere.
need() {
    command -v "$1" >/dev/null || [ -x "/usr/sbin/$1" ] && return
    [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null || return 0
    [ -n "${fetched_lists:-}" ] || apt-get update -qq
    fetched_lists=1
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$2" >/dev/null
}

step "tests"
need chromium chromium
need mosquitto mosquitto
need mosquitto_sub mosquitto-clients
need script bsdutils
need pdftotext poppler-utils
cargo test --workspace --locked $WATTLESS_FEATURES

# The same node on an emulated Cortex-M4F: bit for bit, over its link, through power cuts.
step "emulated node"
bash tests/emulated.sh

# Both chips' programs, and the RP2040's on an emulated chip with everything around it.
step "board"
bash tests/pico.sh

step "done"
