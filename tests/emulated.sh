#!/usr/bin/env bash
# The node on an emulated Cortex-M4F: the same samples must leave the same flash, bit for bit,
# as the same node on this machine; its log comes over the link; a power cut leaves it readable.
# Needs rustup or Debian's packages rustc-web cargo-web rust-web-src, and qemu-system-arm;
# installs what is missing with apt-get where it may (root on Debian or Ubuntu).
set -euo pipefail
cd "$(dirname "$0")/.."
root=$PWD
board=$root/firmware/boards/emulated
target=thumbv7em-none-eabihf
seconds=${SECONDS_OF_SAMPLES:-125}

say() { printf '%s\n' "$*"; }
give_up() { say "emulated: $*" >&2; exit 2; }

install() {
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then
        give_up "please install: $*"
    fi
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}

command -v qemu-system-arm >/dev/null || install qemu-system-arm

# Rustup's toolchain with the target if it can be had, else Debian's with the core library from source.
elf=$board/target/$target/release/wattless-emulated
if [ -z "${DEBIAN_RUST:-}" ] && command -v rustup >/dev/null &&
    { rustup target list --installed | grep -qx "$target" ||
      timeout 120 rustup target add "$target" >/dev/null 2>&1; }; then
    (cd "$board" && cargo build --release --locked --target "$target")
else
    [ -x /usr/bin/cargo ] && [ -d /usr/src/rustc-"$(/usr/bin/rustc --version 2>/dev/null | cut -d' ' -f2)" ] &&
        command -v arm-none-eabi-ld >/dev/null ||
        install rustc-web cargo-web rust-web-src binutils-arm-none-eabi
    elf=$board/target/debian/$target/release/wattless-emulated
    (cd "$board" && RUSTC_BOOTSTRAP=1 /usr/bin/cargo build --config debian.toml --release --locked \
        --target "$target" --target-dir target/debian)
fi
if command -v arm-none-eabi-size >/dev/null; then arm-none-eabi-size "$elf"; fi

cargo build --quiet --locked -p wattless-tests --example laptop_node
laptop=$root/target/debug/examples/laptop_node
work=$(mktemp -d)
qemu=
clean() {
    if [ -n "$qemu" ]; then kill "$qemu" 2>/dev/null || true; fi
    rm -rf "$work"
}
trap clean EXIT

words=$("$laptop" make "$work" "$seconds")
cd "$work"
cp flash.bin start.bin

# emulate SERIAL ARG...: runs the node; QEMU wants one arg= for each word.
emulate() {
    local serial=$1 config="enable=on,target=native,arg=node" word
    shift
    for word in $words "$@"; do config+=",arg=$word"; done
    exec qemu-system-arm -M mps2-an386 -display none -monitor none \
        -semihosting-config "$config" -serial "$serial" ${counting:-} -kernel "$elf"
}

say "== the same samples on the emulated node and on this machine"
(counting="-icount shift=10" emulate null count) || give_up "the emulated node stopped with an error"
if ! cmp flash.bin expected.bin; then
    say "emulated: the flash differs from the laptop's: the core is not the same bit for bit" >&2
    exit 1
fi
cmp -s flash.bin start.bin && give_up "nothing was logged"
say "flash identical, $(stat -c %s flash.bin) bytes"

say "== the log over the link"
cp start.bin flash.bin
port=$((20000 + RANDOM % 20000))
emulate "tcp:127.0.0.1:$port,server,nowait" serve >/dev/null 2>emulator.log &
qemu=$!
"$laptop" talk "tcp:127.0.0.1:$port" "$work" || { cat emulator.log >&2; say "emulated: the link failed" >&2; exit 1; }
kill "$qemu"
wait "$qemu" 2>/dev/null || true
qemu=

say "== power cuts while it logs"
for cut in 0.15 0.35 0.6; do
    cp start.bin flash.bin
    (emulate null >/dev/null) &
    qemu=$!
    sleep "$cut"
    kill -KILL "$qemu" 2>/dev/null || say "the run was over before the cut at $cut s"
    wait "$qemu" 2>/dev/null || true
    qemu=
    (emulate null) || give_up "the node does not start after a cut"
    "$laptop" check "$work" || { say "emulated: a cut at $cut s did harm" >&2; exit 1; }
done
say "== done"
