#!/usr/bin/env bash
# The board crate: both chips compile to ELF and UF2 within their budgets, and the RP2040's program
# runs on an emulated chip with converter, flash and clock at its pins (tests/pico_sim): settings,
# pulls over UART and USB, lost frames, a power cut and a bite of the watchdog.
# Needs rustup or Debian's packages rustc-web cargo-web rust-web-src binutils-arm-none-eabi, python3,
# node 18 or later with npm; installs what is missing with apt-get where it may.
set -euo pipefail
cd "$(dirname "$0")/.."
root=$PWD
board=$root/firmware/boards/pico
emulator=rp2040js@1.4.1

about=pico
source tests/boards.sh

# build CHIP TARGET: leaves the path of the program in $elf.
build() { build_board "$board" "$2" wattless-pico --no-default-features --features "$1"; }

# Code and static memory against 256 and 128 KiB; the stack is measured below.
say "== programs for both chips"
build rp2350 thumbv8m.main-none-eabihf
python3 tests/firmware_image.py "$elf" --family rp2350 --uf2 "$board/target/wattless-rp2350.uf2"
build rp2040 thumbv6m-none-eabi
python3 tests/firmware_image.py "$elf" --family rp2040 --uf2 "$board/target/wattless-rp2040.uf2"

command -v npm >/dev/null || install nodejs npm
modules=$root/target/pico-sim
[ -d "$modules/node_modules/rp2040js" ] ||
    npm install --silent --no-audit --no-fund --prefix "$modules" "$emulator"
cargo build --quiet --locked --workspace ${WATTLESS_FEATURES:-} --bin wattless
cargo build --quiet --locked --workspace ${WATTLESS_FEATURES:-} --example pico_check
wattless=$root/target/debug/wattless
check=$root/target/debug/examples/pico_check

work=$(mktemp -d)
sim=
clean() {
    if [ -n "$sim" ]; then kill "$sim" 2>/dev/null || true; fi
    rm -rf "$work"
}
trap clean EXIT
uart=$((20000 + RANDOM % 20000))
usb=$((uart + 1))

# simulate ARG...: starts the board; its flash is a file that stays.
simulate() {
    node tests/pico_sim/main.mjs --module "$modules/node_modules/rp2040js" --elf "$elf" \
        --flash "$work/flash.bin" --report "$work/report.json" \
        --uart "$uart" --usb "$usb" --hurry 8 "$@" >"$work/sim.log" 2>&1 &
    sim=$!
}

# Waits until the simulated time of --until has come.
until_told() {
    local n
    for n in $(seq 1500); do
        grep -q '^at ' "$work/sim.log" && return
        kill -0 "$sim" 2>/dev/null || { cat "$work/sim.log" >&2; wrong "the simulation stopped"; }
        sleep 0.2
    done
    cat "$work/sim.log" >&2
    wrong "the simulation is too slow"
}

stop() {
    kill "$sim"
    wait "$sim" || { cat "$work/sim.log" >&2; wrong "the simulation ended with an error"; }
    sim=
}

# ask COMMAND...: our own program, unmodified; its answer only when it fails.
ask() {
    "$wattless" "$@" >"$work/answer.txt" 2>&1 || { cat "$work/answer.txt" "$work/sim.log" >&2; wrong "wattless $* failed"; }
}

cat >"$work/settings.toml" <<'TOML'
feeder = "Sawmill main"
interval_s = 1
wiring = "four-wire"
TOML
# 1.2 V are full scale; transducers of 0.25 V at 230 V, sensors of 0.333 V at 100 A.
for n in 1 2 3; do
    printf '[channel.v%s]\ngain_v_per_count = %s\n[channel.i%s]\ngain_a_per_count = %s\n' "$n" \
        "$(python3 -c 'print(1.2 / 2**23 * 230 / 0.25)')" "$n" \
        "$(python3 -c 'print(1.2 / 2**23 * 100 / 0.333)')" >>"$work/settings.toml"
done

say "== the RP2040's program: settings and log over UART and USB"
simulate --clock 1800000000000 --until 1.5
until_told
ask node "tcp:127.0.0.1:$uart" --settings "$work/settings.toml"
for n in $(seq 400); do
    ask node "tcp:127.0.0.1:$usb" --json
    python3 - "$work/answer.txt" <<'PY' && break
import json, sys
status = json.load(open(sys.argv[1]))
sys.exit(0 if status["log"]["next_seq"] - status["log"]["oldest_seq"] >= 8 else 1)
PY
    sleep 0.5
done
ask pull "tcp:127.0.0.1:$uart" "$work/over-uart"
ask pull "tcp:127.0.0.1:$usb" "$work/over-usb"
stop
"$check" "$work/over-uart" "$work/flash.bin" "$work/report.json" plain
"$check" "$work/over-usb" "$work/flash.bin" "$work/report.json" plain

# Damaged frames, missing edges of data ready, power off and on, a processor that hangs until the
# watchdog bites; the clock chip is gone. The flash is the one of the run before.
say "== the same with faults"
simulate --clock none --at 3=flip:2 --at 5=mute:3 --at 7=cut --at 9.6=hang --until 21
until_told
ask pull "tcp:127.0.0.1:$usb" "$work/over-usb"
ask pull "tcp:127.0.0.1:$uart" "$work/over-uart"
stop
"$check" "$work/over-uart" "$work/flash.bin" "$work/report.json" faults
"$check" "$work/over-usb" "$work/flash.bin" "$work/report.json" faults

say "== figures of the RP2040, emulated"
python3 - "$work/report.json" <<'PY'
import json, sys
r = json.load(open(sys.argv[1]))
print(f"instructions a frame {r['instructions_per_frame']:,.0f}, of these in interrupts {r['of_these_in_interrupts']:,.0f}")
print(f"busy {100 * r['core_load']:.0f} % of the time; deepest stack {r['stack_bytes']:,} bytes")
PY
stack=$(python3 -c 'import json, sys; print(json.load(open(sys.argv[1]))["stack_bytes"])' "$work/report.json")
python3 tests/firmware_image.py "$elf" --family rp2040 --stack "$stack"
say "== done"
