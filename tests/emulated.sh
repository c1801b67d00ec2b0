#!/usr/bin/env bash
# The node on an emulated Cortex-M4F: no panic can be reached in it; the same samples leave the
# same records, bit for bit, as the same node on this machine and as `wattless measure`; its log
# comes over the link; killed at any moment it loses, alters and invents nothing. Prints code,
# memory, stack and instructions a frame, and holds them to their budgets.
# EMULATOR_KILLS sets the number of kills (12), EMULATOR_SEED their moments.
# `bash tests/emulated.sh serve PORT` starts the node with its link on that TCP port instead.
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
if [ -z "${DEBIAN_RUST:-}" ] && command -v rustup >/dev/null &&
    { rustup target list --installed | grep -qx "$target" ||
      timeout 120 rustup target add "$target" >/dev/null 2>&1; }; then
    dir=$board/target
    build() { (cd "$board" && cargo build --release --locked --target "$target" "$@"); }
else
    [ -x /usr/bin/cargo ] && [ -d /usr/src/rustc-"$(/usr/bin/rustc --version 2>/dev/null | cut -d' ' -f2)" ] &&
        command -v arm-none-eabi-ld >/dev/null ||
        install rustc-web cargo-web rust-web-src binutils-arm-none-eabi
    dir=$board/target/debian
    build() {
        (cd "$board" && RUSTC_BOOTSTRAP=1 /usr/bin/cargo build --config debian.toml --release \
            --locked --target "$target" --target-dir target/debian "$@")
    }
fi
elf=$dir/$target/release/wattless-emulated

if [ "${1:-}" != serve ]; then
    say "== no panic can be reached: the panic handler calls a function that nobody defines"
    # What a dependency makes impossible would be listed here. There is nothing.
    if ! build --features no-panic; then
        say "emulated: a panic can be reached (or the build failed): see above for what calls it" >&2
        exit 1
    fi
    say "linked without a panic handler; nothing remains"
fi
build

cargo build --quiet --locked --workspace --example laptop_node
cargo build --quiet --locked --workspace --bin wattless
laptop=$root/target/debug/examples/laptop_node
wattless=$root/target/debug/wattless
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

if [ "${1:-}" = serve ]; then
    say "the emulated node listens on tcp:127.0.0.1:${2:?give a port}; stop it with Ctrl-C"
    emulate "tcp:127.0.0.1:$2,server,nowait" serve &
    qemu=$!
    wait "$qemu"
    exit
fi

say "== the same samples on the emulated node and on this machine"
(counting="-icount shift=10" emulate null count) >count.log || {
    cat count.log
    give_up "the emulated node stopped with an error"
}
python3 "$root/tests/emulated_budget.py" "$elf" count.log
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

say "== odd waveforms: emulated node, node on this machine, wattless measure"
for name in $("$laptop" cases); do
    mkdir "$work/$name"
    cd "$work/$name"
    words=$("$laptop" case "$name" .)
    (emulate null) >run.log || { cat run.log; give_up "$name: the node stopped with an error"; }
    cmp flash.bin expected.bin || { say "emulated: $name: the flash differs from the laptop's" >&2; exit 1; }
    "$wattless" measure samples.counts --records records.bin --node-id 182 >/dev/null
    "$laptop" compare . || { say "emulated: $name: measure differs from the node" >&2; exit 1; }
    say "$name: equal in every byte ($(($(stat -c %s records.bin) / 256)) records)"
done

kills=${EMULATOR_KILLS:-12}
seed=${EMULATOR_SEED:-1}
say "== killed at $kills random moments (seed $seed), its flash kept"
RANDOM=$seed
cd "$work/steps"
rate=8000000
words="rate=$rate"
start=$(date +%s%N)
(emulate null tell) >told.log
whole_us=$((($(date +%s%N) - start) / 1000))
for ((kill = 1; kill <= kills; kill++)); do
    cp flash.bin before.bin
    cp flash.bin expected.bin
    "$laptop" expect . "$rate"
    (emulate null tell) >told.log &
    qemu=$!
    moment=$(((RANDOM * 32768 + RANDOM) % whole_us))
    sleep "$((moment / 1000000)).$(printf '%06d' $((moment % 1000000)))"
    kill -KILL "$qemu" 2>/dev/null || true
    wait "$qemu" 2>/dev/null || true
    qemu=
    "$laptop" cut . || { say "emulated: kill $kill did harm" >&2; exit 1; }
done
cp flash.bin before.bin
cp flash.bin expected.bin
"$laptop" expect . "$rate"
(emulate null tell) >told.log || give_up "the node does not start after the kills"
"$laptop" cut .
cmp flash.bin expected.bin || { say "emulated: the flash differs after the kills" >&2; exit 1; }
say "== done"
