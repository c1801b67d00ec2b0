// The node's links as TCP ports of this machine: its UART, and its USB serial as a host sees it.

import { createServer } from "node:net";

/** A port on which one program at a time talks to the node. */
class Port {
  constructor(number) {
    this.socket = null;
    this.waiting = [];
    this.counts = { toNode: 0, fromNode: 0 };
    this.server = createServer((socket) => {
      this.socket?.destroy();
      this.socket = socket;
      socket.setNoDelay(true);
      socket.on("data", (data) => {
        for (const byte of data) this.waiting.push(byte);
        this.counts.toNode += data.length;
        this.arrived();
      });
      socket.on("error", () => {});
      socket.on("close", () => {
        if (this.socket === socket) this.socket = null;
      });
    });
    this.server.listen(number, "127.0.0.1");
  }

  send(bytes) {
    this.counts.fromNode += bytes.length;
    this.socket?.write(Buffer.from(bytes));
  }

  arrived() {}

  close() {
    this.socket?.destroy();
    this.server.close();
  }
}

/** The UART: bytes at its own rate, both ways, or `hurry` times as fast. */
export class UartPort extends Port {
  constructor(number, hurry) {
    super(number);
    this.hurry = hurry;
  }

  attach({ mcu, clock }) {
    const uart = mcu.uart[0];
    uart.hurry = this.hurry;
    let line = [];
    uart.onByte = (byte) => {
      line.push(byte);
      // A frame ends with a zero.
      if (byte === 0 || line.length >= 256) {
        this.send(line);
        line = [];
      }
    };
    this.feeding = false;
    this.feed = clock.createAlarm(() => {
      this.feeding = this.waiting.length > 0;
      if (!this.feeding) return;
      if (!uart.rxFIFO.full) uart.feedByte(this.waiting.shift());
      this.feed.schedule(1e10 / uart.baudRate / this.hurry);
    });
    this.uart = uart;
    this.arrived();
  }

  arrived() {
    // The divider is set before the node listens.
    if (!this.waiting.length || this.feeding || !this.uart.enabled) return;
    this.feeding = true;
    this.feed.schedule(1e10 / this.uart.baudRate / this.hurry);
  }
}

/** USB: the host's side of enumeration and of the two data pipes. */
export class UsbPort extends Port {
  constructor(number, js) {
    super(number);
    this.js = js;
    this.connected = 0;
  }

  attach({ mcu }) {
    const AVAILABLE = 1 << 10;
    const usb = mcu.usbCtrl;
    const cdc = new this.js.USBCDC(usb);
    this.ready = null;
    cdc.onDeviceConnected = () => this.connected++;
    cdc.onSerialData = (data) => this.send(data);
    // The node waits for data on this pipe: its buffer stays available until some comes.
    usb.onEndpointRead = (endpoint, size) => {
      if (endpoint !== cdc.outEndpoint) {
        if (endpoint === 0) usb.endpointReadDone(0, new Uint8Array(0));
        return;
      }
      const register = 0x80 + 8 * endpoint + 4;
      const { usbDPRAMView: ram } = mcu;
      ram.setUint32(register, ram.getUint32(register, true) | AVAILABLE, true);
      this.ready = () => {
        ram.setUint32(register, ram.getUint32(register, true) & ~AVAILABLE, true);
        usb.endpointReadDone(endpoint, Uint8Array.from(this.waiting.splice(0, size)));
      };
      this.arrived();
    };
  }

  arrived() {
    if (!this.waiting.length || !this.ready) return;
    const { ready } = this;
    this.ready = null;
    ready();
  }
}
