// A board with an RP2040: the chip emulator, its program, what is soldered around it, and the time.

import { readFileSync } from "node:fs";

const RAM = 0x20000000;
const FLASH = 0x10000000;
// Behind the second-stage boot loader, which the emulator does not need.
const VECTORS = 0x10000100;
const UNUSED = 0xa5;

/** Loadable segments of an ELF file of 32 bits, little-endian. */
export function readElf(path) {
  const file = readFileSync(path);
  if (file.readUInt32BE(0) !== 0x7f454c46 || file[4] !== 1 || file[5] !== 1) throw new Error(`${path} is no ELF file`);
  const [start, entry, count] = [file.readUInt32LE(0x1c), file.readUInt16LE(0x2a), file.readUInt16LE(0x2c)];
  const segments = [];
  let ramEnd = RAM;
  for (let n = 0; n < count; n++) {
    const at = start + n * entry;
    const [kind, offset, virtual, physical, size, memory] = [0, 4, 8, 12, 16, 20].map((o) => file.readUInt32LE(at + o));
    if (kind !== 1) continue;
    if (size) segments.push({ physical, data: file.subarray(offset, offset + size) });
    if (virtual >= RAM && virtual < RAM + 0x100000) ramEnd = Math.max(ramEnd, virtual + memory);
  }
  return { segments, ramEnd };
}

/** The UART's transmitter with its queue: the emulator sends at once and asserts for ever. */
function repairUart(uart, clock) {
  const TRANSMIT = 1 << 5;
  const QUEUE = 32;
  const queue = [];
  const byteNs = () => 1e10 / uart.baudRate / (uart.hurry ?? 1);
  const sent = clock.createAlarm(() => {
    uart.onByte?.(queue.shift());
    if (queue.length) sent.schedule(byteNs());
    // Half empty: the level at which the node asked for an interrupt, and once.
    if (queue.length === QUEUE / 2 || queue.length === 0) {
      uart.interruptStatus |= TRANSMIT;
      uart.checkInterrupts();
    }
  });
  const write = uart.writeUint32.bind(uart);
  uart.checkInterrupts = () => uart.rp2040.setInterrupt(uart.irq, !!(uart.interruptStatus & uart.interruptMask));
  uart.writeUint32 = (offset, value) => {
    if (offset === 0x34 || offset === 0x48) return;
    if (offset !== 0) return write(offset, value);
    queue.push(value & 0xff);
    if (queue.length === 1) sent.schedule(byteNs());
  };
  // No DMA, and the levels as they are after a reset.
  const read = uart.readUint32.bind(uart);
  uart.readUint32 = (offset) => ({ 0x34: 0x12, 0x48: 0 })[offset] ?? read(offset);
  Object.defineProperty(uart, "flags", {
    get: () =>
      (queue.length ? 0x08 : 0x80) |
      (queue.length >= QUEUE ? 0x20 : 0) |
      (uart.rxFIFO.full ? 0x40 : 0) |
      (uart.rxFIFO.empty ? 0x10 : 0),
  });
}

export class Board {
  /** `js` is the emulator's module; `parts` are attached anew at every start. */
  constructor(js, elf, parts) {
    this.js = js;
    this.elf = elf;
    this.parts = parts;
    this.baseNs = 0;
    this.lowest = RAM + 264 * 1024;
    this.starts = 0;
    this.reasons = [];
    this.load = { instructions: 0, interrupts: 0, busyNs: 0, sinceNs: 0, samples: 0 };
  }

  now() {
    return this.baseNs + (this.clock ? this.clock.nanos : 0);
  }

  /** A start after power-up or a reset; parts that lost their supply too are told so. */
  start(reason, power) {
    this.measureStack();
    this.baseNs = this.now();
    this.mcu = new this.js.RP2040();
    this.clock = this.mcu.clock;
    const { mcu } = this;
    mcu.logger = new this.js.ConsoleLogger(this.js.LogLevel.Error, true);
    for (const { physical, data } of this.elf.segments) {
      if (physical >= FLASH && physical < FLASH + mcu.flash.length) mcu.flash.set(data, physical - FLASH);
    }
    // Paint: what is still there later was never used as stack.
    mcu.sram.fill(UNUSED, this.elf.ramEnd - RAM);
    mcu.core.VTOR = VECTORS;
    mcu.core.reset();
    const watchdog = mcu.peripherals[0x40058];
    watchdog.onWatchdogTrigger = () => {
      this.bitten = true;
      // It would go off again and again before the chip is taken away.
      watchdog.timer.enable = watchdog.alarm.enable = false;
    };
    repairUart(mcu.uart[0], this.clock);
    this.starts++;
    this.reasons.push(reason);
    this.bitten = this.stuck = false;
    for (const part of this.parts) part.attach(this, power);
  }

  /** Deepest stack since power-up of the simulation, in bytes. */
  measureStack() {
    if (!this.mcu) return 0;
    const { sram } = this.mcu;
    let at = this.elf.ramEnd - RAM;
    while (at < sram.length && sram[at] === UNUSED) at++;
    this.lowest = Math.min(this.lowest, RAM + at);
    return RAM + sram.length - this.lowest;
  }

  /** Runs for some nanoseconds. */
  run(ns) {
    const { mcu, clock, load } = this;
    const { core } = mcu;
    const until = clock.nanos + ns;
    const cycleNs = 1e9 / mcu.clkSys;
    while (clock.nanos < until && !this.bitten) {
      if (core.waiting || this.stuck) {
        const left = clock.nextAlarm ? clock.nanosToNextAlarm : 1e6;
        clock.tick(Math.max(left, 0));
        continue;
      }
      const cycles = core.executeInstruction();
      load.instructions++;
      if (core.IPSR) load.interrupts++;
      load.busyNs += cycles * cycleNs;
      clock.tick(cycles * cycleNs);
    }
    if (this.bitten) this.start("watchdog", false);
  }
}
