// The sampling converter at the pins of an SPI port, byte by byte: frames, registers, checksums,
// data ready, the store of two samples. Written from data sheet SBAS950B (ADS131M08), sections
// 8.3.7, 8.3.12, 8.3.13, 8.5.1 and 8.6; what the node never uses ends with an error, not a guess.

const CLKIN_HZ = 8_192_000;
const CLOCK_NS = 1e9 / CLKIN_HZ;
const CHANNELS = 8;
const WORDS = CHANNELS + 2;
const FRAME_BYTES = 3 * WORDS;

// Register map: number of the first and the last that its checksum covers.
const MAP_FIRST = 0x02;
const MAP_LAST = 0x30;
const [ID, STATUS, MODE, CLOCK, GAIN1, GAIN2, MAP_CRC] = [0, 1, 2, 3, 4, 5, 0x3e];

export const PINS = { select: 17, ready: 20, reset: 21 };

/** CRC-16 of CCITT from FFFFh, most significant bit first. */
export function crc16(bytes) {
  let sum = 0xffff;
  for (const byte of bytes) {
    sum ^= byte << 8;
    for (let k = 0; k < 8; k++) sum = sum & 0x8000 ? ((sum << 1) ^ 0x1021) & 0xffff : (sum << 1) & 0xffff;
  }
  return sum;
}

export class Converter {
  /** `volts(channel, ns)` is what stands at the pins of a channel at a time. */
  constructor(volts) {
    this.volts = volts;
    this.faults = { flip: 0, mute: 0 };
    this.counts = { samples: 0, frames: 0, flipped: 0, muted: 0, overwritten: 0, resets: 0 };
    this.registers = new Uint16Array(64);
    this.last = new Int32Array(CHANNELS);
  }

  /** Connects the part to a chip's pins; without `power` it goes on from where it was. */
  attach(world, power) {
    this.world = world;
    const { mcu, clock } = world;
    this.spi = mcu.spi[0];
    this.reply = 0;
    this.byteDone = clock.createAlarm(() => this.spi.completeTransmit(this.reply));
    this.spi.onTransmit = (value) => {
      this.reply = this.selected ? this.exchange(value & 0xff) : 0xff;
      this.byteDone.schedule(8e9 / this.spi.clockFrequency);
    };
    this.selected = false;
    this.frame = null;
    this.lowSince = undefined;
    mcu.gpio[PINS.select].addListener((state) => this.select(state === 0));
    mcu.gpio[PINS.reset].addListener((state) => this.resetLine(state === 0));
    this.sample = clock.createAlarm(() => this.tick());
    this.fall = clock.createAlarm(() => this.setReady(true));
    this.map = clock.createAlarm(() => this.mapLoop());
    if (power) {
      this.power();
    } else {
      this.setReady(this.ready);
      this.sample.schedule(this.periodNs);
    }
  }

  /** State after power-up or reset: every channel on, converting. */
  power() {
    this.registers.fill(0);
    this.registers[ID] = 0x2800 | 0x03;
    this.registers[MODE] = 0x0510;
    this.registers[CLOCK] = 0xff0e;
    this.registers[6] = 0x0600;
    for (let n = 0; n < CHANNELS; n++) this.registers[0x0c + 5 * n] = 0x8000;
    this.pending = 0xff20 | CHANNELS;
    this.crcError = this.mapChanged = this.resynced = false;
    this.checking = false;
    this.setReady(false);
    this.restart();
  }

  resetLine(low) {
    if (low) {
      this.lowSince = this.world.now();
      return;
    }
    if (this.lowSince === undefined) return;
    const clocks = (this.world.now() - this.lowSince) / CLOCK_NS;
    this.lowSince = undefined;
    // Shorter pulses synchronise instead, which the node does not use.
    if (clocks < 2047) throw new Error(`reset line low for ${clocks} clocks only`);
    this.counts.resets++;
    this.power();
  }

  get ratio() {
    return 128 << ((this.registers[CLOCK] >> 2) & 7);
  }

  get periodNs() {
    return 2 * this.ratio * CLOCK_NS;
  }

  get enabled() {
    return this.registers[CLOCK] >> 8;
  }

  /** Filters start over: dead time, then a result a period. */
  restart() {
    this.store = [];
    this.sample.cancel();
    this.fall.cancel();
    if (this.enabled) this.sample.schedule(2 * (this.ratio + 300) * CLOCK_NS);
  }

  tick() {
    this.sample.schedule(this.periodNs);
    const now = this.world.now();
    const counts = new Int32Array(CHANNELS);
    for (let n = 0; n < CHANNELS; n++) {
      if (!((this.enabled >> n) & 1)) continue;
      const gain = 1 << ((this.registers[n < 4 ? GAIN1 : GAIN2] >> (4 * (n & 3))) & 7);
      const count = Math.round((this.volts(n, now) / (1.2 / gain)) * 0x800000);
      counts[n] = Math.max(-0x800000, Math.min(0x7fffff, count));
    }
    this.counts.samples++;
    const unread = this.store.length;
    if (unread === 2) {
      this.store[1] = counts;
      this.counts.overwritten++;
    } else {
      this.store.push(counts);
    }
    if (this.faults.mute > 0) {
      this.faults.mute--;
      this.counts.muted++;
      return;
    }
    if (unread === 2) return;
    // A sample that was not read makes the line go high for four clocks before it falls again.
    if (this.ready) this.setReady(false);
    if (unread) this.fall.schedule(4 * CLOCK_NS);
    else this.setReady(true);
  }

  setReady(low) {
    this.ready = low;
    this.world.mcu.gpio[PINS.ready].setInputValue(!low);
  }

  status() {
    const r = this.registers;
    const bits =
      (this.resynced ? 0x4000 : 0) |
      (this.mapChanged ? 0x2000 : 0) |
      (this.crcError ? 0x1000 : 0) |
      (r[MODE] & 0x0800) |
      (r[MODE] & 0x0400) |
      (r[MODE] & 0x0300) |
      (this.store.length ? this.enabled : 0);
    this.resynced = this.mapChanged = this.crcError = false;
    return bits;
  }

  select(low) {
    if (low === this.selected) return;
    this.selected = low;
    if (low) this.begin();
    else this.end();
  }

  begin() {
    const response = this.pending === null ? this.status() : this.pending;
    this.pending = null;
    const data = this.store[0] ?? this.last;
    const out = new Uint8Array(FRAME_BYTES);
    out.set([response >> 8, response & 0xff, 0]);
    data.forEach((count, n) => out.set([(count >> 16) & 0xff, (count >> 8) & 0xff, count & 0xff], 3 + 3 * n));
    const sum = crc16(out.subarray(0, FRAME_BYTES - 3));
    out.set([sum >> 8, sum & 0xff, 0], FRAME_BYTES - 3);
    if (this.faults.flip > 0) {
      this.faults.flip--;
      this.counts.flipped++;
      out[3 + (this.counts.flipped % 24)] ^= 1 << (this.counts.flipped & 7);
    }
    this.frame = { out, heard: [], fresh: this.store.length > 0, data };
  }

  /** One byte each way. */
  exchange(value) {
    const { frame } = this;
    const at = frame.heard.length;
    const reply = frame.out[at] ?? 0;
    frame.heard.push(value);
    if (frame.heard.length % 3 === 0) this.word(frame);
    if (frame.heard.length === FRAME_BYTES - 3) this.taken(frame);
    return reply;
  }

  /** All words with samples are out: the sample counts as read. */
  taken(frame) {
    this.counts.frames++;
    this.setReady(false);
    this.last = frame.data;
    if (!frame.fresh) return;
    this.store.shift();
    if (this.store.length) this.fall.schedule(4 * CLOCK_NS);
  }

  /** Registers are written as each word comes in. */
  word(frame) {
    const { heard } = frame;
    const count = heard.length / 3;
    const value = (heard[heard.length - 3] << 8) | heard[heard.length - 2];
    if (count === 1) {
      frame.command = value;
      frame.left = (value & 0xe000) === 0x6000 ? (value & 0x7f) + 1 : 0;
      frame.address = (value >> 7) & 0x3f;
      frame.written = 0;
      frame.covered = 3;
    } else if (frame.left > 0) {
      this.write(frame.address + frame.written, value);
      frame.written++;
      frame.left--;
      frame.covered += 3;
    } else if (heard.length === frame.covered + 3 && this.checking) {
      frame.good = crc16(heard.slice(0, frame.covered)) === value;
    }
  }

  write(address, value) {
    if (address < 2 || (address > MAP_LAST && address !== 0x3f)) return;
    const before = this.registers[address];
    this.registers[address] = value;
    if (address === MODE && (value & 0x0300) !== 0x0100) throw new Error("only words of 24 bits are modelled");
    if (address === CLOCK && value !== before) this.restart();
    if (this.registers[MODE] & 0x2000) this.map.schedule((MAP_LAST - MAP_FIRST + 1) * 16 * CLOCK_NS);
  }

  /** The part's own checksum over its registers, after a whole turn. */
  mapLoop() {
    const bytes = [];
    for (let a = MAP_FIRST; a <= MAP_LAST; a++) bytes.push(this.registers[a] >> 8, this.registers[a] & 0xff);
    const sum = crc16(bytes);
    if (sum !== this.registers[MAP_CRC]) this.mapChanged = true;
    this.registers[MAP_CRC] = sum;
  }

  end() {
    const { frame } = this;
    this.frame = null;
    // Whether a checksum is expected was settled when the frame began.
    const wrong = this.checking && frame.good !== true && frame.heard.length >= FRAME_BYTES;
    this.checking = (this.registers[MODE] & 0x1000) !== 0;
    if (!frame || frame.heard.length < FRAME_BYTES) return;
    const { command } = frame;
    if (wrong) {
      this.crcError = true;
      return;
    }
    if (command === 0x0000) return;
    if ((command & 0xe000) === 0x6000) {
      this.pending = 0x4000 | (command & 0x1f80) | (frame.written - 1);
    } else if ((command & 0xe000) === 0xa000) {
      if (command & 0x7f) throw new Error("reading of many registers is not modelled");
      const address = (command >> 7) & 0x3f;
      this.pending = address === STATUS ? this.status() : this.registers[address];
    } else {
      throw new Error(`command ${command.toString(16)} is not modelled`);
    }
  }
}
