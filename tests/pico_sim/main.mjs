// Runs the node's program for the RP2040 on an emulated chip with everything around it.
//
// node main.mjs --module FOLDER --elf FILE --flash FILE [--size BYTES] [--uart PORT] [--usb PORT]
//   [--hurry TIMES] [--clock none|lost|UNIX_MS] [--at SECONDS=EVENT]... [--until SECONDS] [--report FILE]
//
// EVENT: cut (power off and on), hang (the processor stops: the watchdog must bite), flip:N (N
// damaged frames), mute:N (N edges of data ready missing). Time is the chip's own. --hurry makes
// the UART's line faster than its rate, for hosts that lose patience with a slow emulator. At --until the
// flash is written to its file and a line is printed; then the board runs on until it is
// told to end (SIGTERM), when flash and report are written.

import { readFileSync, writeFileSync, existsSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { parseArgs } from "node:util";
import { Board, readElf } from "./board.mjs";
import { Clock } from "./clock.mjs";
import { Converter } from "./converter.mjs";
import { Flash } from "./flash.mjs";
import { UartPort, UsbPort } from "./links.mjs";
import { volts } from "./feeder.mjs";

const { values: options } = parseArgs({
  options: {
    module: { type: "string" },
    elf: { type: "string" },
    flash: { type: "string" },
    size: { type: "string", default: String(1 << 20) },
    uart: { type: "string" },
    usb: { type: "string" },
    hurry: { type: "string", default: "1" },
    clock: { type: "string", default: "none" },
    at: { type: "string", multiple: true, default: [] },
    until: { type: "string", default: "0" },
    report: { type: "string" },
  },
});

const SLICE_NS = 2e6;

const js = await import(pathToFileURL(join(options.module, "dist/esm/index.js")));

const image = existsSync(options.flash)
  ? new Uint8Array(readFileSync(options.flash))
  : new Uint8Array(Number(options.size)).fill(0xff);

// A fixed row of random bytes: a run can be repeated.
let seed = 0x2545f491;
const random = () => {
  seed ^= seed << 13;
  seed ^= seed >>> 17;
  seed ^= seed << 5;
  return seed & 0xff;
};

const converter = new Converter(volts);
const flash = new Flash(image);
const clock = new Clock({
  present: options.clock !== "none",
  lost: options.clock === "lost",
  unixMs: Number(options.clock) || 0,
});
const ports = [];
if (options.uart) ports.push(new UartPort(Number(options.uart), Number(options.hurry)));
if (options.usb) ports.push(new UsbPort(Number(options.usb), js));
const board = new Board(js, readElf(options.elf), [converter, flash, clock, ...ports]);

const events = options.at
  .map((text) => {
    const [, at, what, count] = /^([\d.]+)=([a-z]+)(?::(\d+))?$/.exec(text);
    return { ns: Number(at) * 1e9, what, count: Number(count ?? 0) };
  })
  .sort((a, b) => a.ns - b.ns);

function happen({ what, count }) {
  switch (what) {
    case "cut":
      flash.cut(random);
      board.start("power", true);
      return;
    case "hang":
      board.stuck = true;
      return;
    case "flip":
      converter.faults.flip = count;
      return;
    case "mute":
      converter.faults.mute = count;
      return;
    default:
      throw new Error(`no such event: ${what}`);
  }
}

function save() {
  writeFileSync(options.flash, image);
  if (!options.report) return;
  const { load } = board;
  const ns = board.now() - load.sinceNs;
  const frames = (ns / 1e9) * (1e9 / converter.periodNs);
  const report = {
    seconds: board.now() / 1e9,
    wall_s: (Date.now() - began) / 1000,
    starts: board.reasons,
    stack_bytes: board.measureStack(),
    instructions_per_frame: load.instructions / frames,
    of_these_in_interrupts: load.interrupts / frames,
    core_load: load.busyNs / ns,
    converter: converter.counts,
    flash: flash.counts,
    clock: clock.counts,
    usb_connected: ports.find((p) => "connected" in p)?.connected ?? 0,
  };
  writeFileSync(options.report, JSON.stringify(report, null, 2) + "\n");
}

const began = Date.now();
let ended = false;
process.on("SIGTERM", () => (ended = true));

board.start("power", true);
const untilNs = Number(options.until) * 1e9;
let told = false;
function turn() {
  const stop = Date.now() + 10;
  do {
    board.run(SLICE_NS);
    while (events.length && events[0].ns <= board.now()) happen(events.shift());
  } while (Date.now() < stop);
  if (!told && board.now() >= untilNs) {
    told = true;
    save();
    console.log(`at ${(board.now() / 1e9).toFixed(3)} s`);
  }
  if (ended) {
    save();
    ports.forEach((p) => p.close());
    process.exit(0);
  }
  setImmediate(turn);
}
turn();
