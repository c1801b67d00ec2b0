// The battery-backed clock on I2C: time and status registers of the DS3231 (19-5170).

const ADDRESS = 0x68;
// A byte with its acknowledge at 400 kHz.
const BYTE_NS = 9 / 400e3 * 1e9;
const TX_EMPTY = 1 << 4;

const digits = (n) => (Math.floor(n / 10) << 4) | (n % 10);
const number = (bcd) => 10 * (bcd >> 4) + (bcd & 15);

export class Clock {
  /** `present` false: nobody answers. The time runs from `unixMs` at world time zero. */
  constructor({ present = true, unixMs = 0, lost = false } = {}) {
    this.present = present;
    this.offsetMs = unixMs;
    this.status = lost ? 0x88 : 0x08;
    this.control = 0x1c;
    this.counts = { reads: 0, sets: 0 };
  }

  attach(world) {
    this.world = world;
    const { mcu, clock } = world;
    const bus = mcu.i2c[0];
    // Pull-ups.
    for (const pin of [4, 5]) mcu.gpio[pin].setInputValue(true);
    const later = (act) => {
      const alarm = clock.createAlarm(() => alarm.act());
      alarm.act = act;
      alarm.schedule(BYTE_NS);
    };
    bus.onStart = () => later(() => bus.completeStart());
    bus.onStop = () => later(() => {
      this.stop();
      bus.completeStop();
    });
    bus.onConnect = (address, mode) => later(() => {
      const here = this.present && address === ADDRESS;
      if (here) this.begin(mode);
      bus.completeConnect(here);
      // What was to be sent is thrown away, and the empty queue shows.
      if (!here) bus.setInterrupts(TX_EMPTY);
    });
    bus.onWriteByte = (value) => later(() => {
      this.take(value);
      bus.completeWrite(true);
    });
    bus.onReadByte = () => later(() => bus.completeRead(this.give()));
  }

  unixMs() {
    return this.offsetMs + this.world.now() / 1e6;
  }

  begin(mode) {
    this.first = mode === 0;
    this.frozen = this.registers();
    this.written = [];
  }

  registers() {
    const t = new Date(this.unixMs());
    return [
      digits(t.getUTCSeconds()),
      digits(t.getUTCMinutes()),
      digits(t.getUTCHours()),
      ((t.getUTCDay() + 6) % 7) + 1,
      digits(t.getUTCDate()),
      digits(t.getUTCMonth() + 1) | (t.getUTCFullYear() >= 2100 ? 0x80 : 0),
      digits(t.getUTCFullYear() % 100),
      0, 0, 0, 0, 0, 0, 0,
      this.control,
      this.status,
      0, 25, 0,
    ];
  }

  take(value) {
    if (this.first) {
      this.pointer = value;
      this.first = false;
      return;
    }
    if (this.pointer === 0x0e) this.control = value;
    if (this.pointer === 0x0f) this.status = (value & 0x7f) | (this.status & value & 0x80);
    if (this.pointer <= 6) this.written.push(value);
    this.pointer = (this.pointer + 1) % 0x13;
  }

  give() {
    this.counts.reads++;
    const value = this.frozen[this.pointer];
    this.pointer = (this.pointer + 1) % 0x13;
    return value;
  }

  /** Writing the seconds starts the second anew. */
  stop() {
    if (this.written?.length !== 7) return;
    const [s, min, h, , day, , year] = this.written.map(number);
    const month = number(this.written[5] & 0x7f);
    const years = 2000 + year;
    this.offsetMs = Date.UTC(years, month - 1, day, h, min, s) - this.world.now() / 1e6;
    this.counts.sets++;
    this.written = [];
  }
}
