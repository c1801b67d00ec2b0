// The log's flash chip at the pins of an SPI port, byte by byte: a serial NOR flash with the
// commands of the W25Q128JV and its smaller sisters. Programming only clears bits; an erase takes
// its time; what the node must never do (writing what is not erased) is counted.

const PAGE = 256;
const SECTOR = 4096;

// Typical times by the maker's tables, in nanoseconds.
const PROGRAM_NS = 0.4e6;
const ERASE_NS = 45e6;

export const SELECT = 13;

export class Flash {
  constructor(image, { eraseNs = ERASE_NS } = {}) {
    this.image = image;
    this.eraseNs = eraseNs;
    this.counts = { programs: 0, erases: 0, refused: 0, unclean: 0, cut: 0 };
    this.busyUntil = 0;
    this.busySector = -1;
    this.enabled = false;
  }

  attach(world) {
    this.world = world;
    const { mcu, clock } = world;
    this.spi = mcu.spi[1];
    this.reply = 0;
    this.selected = false;
    this.byteDone = clock.createAlarm(() => this.spi.completeTransmit(this.reply));
    this.spi.onTransmit = (value) => {
      this.reply = this.selected ? this.exchange(value & 0xff) : 0xff;
      this.byteDone.schedule(8e9 / this.spi.clockFrequency);
    };
    mcu.gpio[SELECT].addListener((state) => this.select(state === 0));
  }

  get busy() {
    return this.world.now() < this.busyUntil;
  }

  /** The supply fails now: what was running is left half done. */
  cut(random) {
    if (this.busy && this.busySector >= 0) {
      this.counts.cut++;
      for (let n = 0; n < SECTOR; n++) this.image[this.busySector + n] |= random();
    }
    this.busyUntil = 0;
    this.busySector = -1;
    this.enabled = false;
    this.selected = false;
  }

  select(low) {
    if (low === this.selected) return;
    this.selected = low;
    if (low) this.heard = [];
    else this.end();
  }

  exchange(value) {
    const { heard } = this;
    const at = heard.length;
    heard.push(value);
    if (at === 0) {
      this.ignored = this.busy && value !== 0x05;
      return 0xff;
    }
    if (this.ignored) return 0xff;
    const address = (heard[1] << 16) | (heard[2] << 8) | heard[3];
    switch (heard[0]) {
      case 0x05:
        return (this.busy ? 1 : 0) | (this.enabled ? 2 : 0);
      case 0x9f:
        return [0xef, 0x40, Math.log2(this.image.length)][at - 1] ?? 0;
      case 0x4b:
        return at < 5 ? 0 : 0xd0 + at;
      case 0x03:
        return at < 4 ? 0xff : this.image[(address + at - 4) % this.image.length];
      default:
        return 0xff;
    }
  }

  end() {
    const { heard } = this;
    if (!heard?.length) return;
    if (this.ignored) {
      this.counts.refused++;
      return;
    }
    const address = ((heard[1] << 16) | (heard[2] << 8) | heard[3]) % this.image.length;
    switch (heard[0]) {
      case 0x06:
        this.enabled = true;
        return;
      case 0x02:
        if (this.allowed(heard.length > 4)) this.program(address, heard.slice(4));
        return;
      case 0x20:
        if (this.allowed(heard.length === 4)) this.erase(address - (address % SECTOR));
        return;
    }
  }

  allowed(complete) {
    const yes = this.enabled && complete;
    this.enabled = false;
    if (!yes) this.counts.refused++;
    return yes;
  }

  program(address, bytes) {
    this.counts.programs++;
    const page = address - (address % PAGE);
    bytes.forEach((byte, n) => {
      const at = page + ((address + n) % PAGE);
      if ((this.image[at] & byte) !== byte) this.counts.unclean++;
      this.image[at] &= byte;
    });
    this.busyUntil = this.world.now() + PROGRAM_NS;
    this.busySector = -1;
  }

  erase(sector) {
    this.counts.erases++;
    this.image.fill(0xff, sector, sector + SECTOR);
    this.busyUntil = this.world.now() + this.eraseNs;
    this.busySector = sector;
  }
}
