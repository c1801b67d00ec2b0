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

about=emulated
source tests/boards.sh

command -v qemu-system-arm >/dev/null || install qemu-system-arm

build() { build_board "$board" "$target" wattless-emulated "$@"; }

if [ "${1:-}" != serve ]; then
    say "== no panic can be reached: the panic handler calls a function that nobody defines"
    # What a dependency makes impossible would be listed here. There is nothing.
    if ! build --features no-panic; then
        wrong "a panic can be reached (or the build failed): see above for what calls it"
    fi
    say "linked without a panic handler; nothing remains"
fi
build

cargo build --quiet --locked --workspace ${WATTLESS_FEATURES:-} --example laptop_node
cargo build --quiet --locked --workspace ${WATTLESS_FEATURES:-} --bin wattless
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
    wrong "the flash differs from the laptop's: the core is not the same bit for bit"
fi
cmp -s flash.bin start.bin && give_up "nothing was logged"
say "flash identical, $(stat -c %s flash.bin) bytes"

say "== the log over the link"
cp start.bin flash.bin
port=$((20000 + RANDOM % 20000))
emulate "tcp:127.0.0.1:$port,server,nowait" serve >/dev/null 2>emulator.log &
qemu=$!
"$laptop" talk "tcp:127.0.0.1:$port" "$work" || { cat emulator.log >&2; wrong "the link failed"; }
kill "$qemu"
wait "$qemu" 2>/dev/null || true
qemu=

say "== odd waveforms: emulated node, node on this machine, wattless measure"
for name in $("$laptop" cases); do
    mkdir "$work/$name"
    cd "$work/$name"
    words=$("$laptop" case "$name" .)
    (emulate null) >run.log || { cat run.log; give_up "$name: the node stopped with an error"; }
    cmp flash.bin expected.bin || wrong "$name: the flash differs from the laptop's"
    "$wattless" measure samples.counts --records records.bin --node-id 182 >/dev/null
    "$laptop" compare . || wrong "$name: measure differs from the node"
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
    "$laptop" cut . || wrong "kill $kill did harm"
done
cp flash.bin before.bin
cp flash.bin expected.bin
"$laptop" expect . "$rate"
(emulate null tell) >told.log || give_up "the node does not start after the kills"
"$laptop" cut .
cmp flash.bin expected.bin || wrong "the flash differs after the kills"
say "== done"
