// What stands at the converter's inputs: 50 Hz, three phases of 230 V and 50 A that lags by 60°,
// behind transducers of 0.25 V at 230 V and sensors of 0.333 V at 100 A.

export const FEEDER = { hz: 50, vRms: 230, iRms: 50, lag: Math.PI / 3 };
export const V_PER_VOLT = 230 / 0.25;
export const A_PER_VOLT = 100 / 0.333;

const PEAK = Math.SQRT2;

export function volts(channel, ns) {
  if (channel > 5) return 0;
  const turns = (ns / 1e9) * FEEDER.hz - (channel % 3) / 3;
  // Whole turns do not matter, and a small argument keeps the sine exact.
  const angle = 2 * Math.PI * (turns - Math.floor(turns));
  return channel < 3
    ? (PEAK * FEEDER.vRms * Math.cos(angle)) / V_PER_VOLT
    : (PEAK * FEEDER.iRms * Math.cos(angle - FEEDER.lag)) / A_PER_VOLT;
}
