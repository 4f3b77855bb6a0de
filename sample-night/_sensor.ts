import { type Random, seededRandom } from '../src/core/index.js';
import { hash } from './_noise.js';
import { gainOf, type NightScenario, type Shot } from './night-scenario.js';

/** A pixel that stays wrong all night. */
export interface SensorDefect {
  readonly x: number;
  readonly y: number;
  readonly kind: 'hot' | 'cold';
  /** Hot: e-/s at 20 deg C. Cold: share of the light it still sees. */
  readonly value: number;
}

/** What is fixed in one sensor. */
export interface Sensor {
  /** Sensitivity of each pixel, about 1; dust and cold pixels included. */
  readonly response: Float32Array;
  /** e-/s at 20 deg C. */
  readonly dark: Float32Array;
  /** ADU added to each column. */
  readonly columns: Float32Array;
  readonly defects: readonly SensorDefect[];
  /** Dust shadows: place, radius (px) and depth. */
  readonly dust: readonly {
    readonly x: number;
    readonly y: number;
    readonly radius: number;
    readonly depth: number;
  }[];
}

const QUANTILES = 65536;

/** Standard normal deviates at equal steps of probability, scaled to unit variance. @source P. J. Acklam's rational approximation of the inverse normal distribution (2003). */
export const NORMAL = (() => {
  const a = [
    -39.69683028665376, 220.9460984245205, -275.9285104469687, 138.357751867269, -30.66479806614716,
    2.506628277459239,
  ];
  const b = [
    -54.47609879822406, 161.5858368580409, -155.6989798598866, 66.80131188771972, -13.28068155288572,
  ];
  const c = [
    -0.007784894002430293, -0.3223964580411365, -2.400758277161838, -2.549732539343734, 4.374664141464968,
    2.938163982698783,
  ];
  const d = [0.007784695709041462, 0.3224671290700398, 2.445134137142996, 3.754408661907416];
  const poly = (k: readonly number[], t: number) => k.reduce((sum, value) => sum * t + value, 0);
  const quantile = (p: number): number => {
    if (p > 0.5) return -quantile(1 - p);
    if (p < 0.02425) {
      const q = Math.sqrt(-2 * Math.log(p));
      return poly(c, q) / (poly(d, q) * q + 1);
    }
    const q = p - 0.5;
    const r = q * q;
    return (poly(a, r) * q) / (poly(b, r) * r + 1);
  };
  const table = Float32Array.from({ length: QUANTILES }, (_, i) => quantile((i + 0.5) / QUANTILES));
  let square = 0;
  for (const value of table) square += value * value;
  const scale = Math.sqrt(QUANTILES / square);
  return table.map((value) => value * scale);
})();

/** Makes the fixed part of a scenario's sensor. */
export function makeSensor(scenario: NightScenario): Sensor {
  const { camera } = scenario;
  const { width, height } = camera;
  const random = seededRandom(hash(scenario.seed, 31));
  const response = new Float32Array(width * height);
  const dark = new Float32Array(width * height);
  for (let k = 0; k < response.length; k++) {
    response[k] = 1 + camera.pixelResponse * NORMAL[(random() * QUANTILES) | 0]!;
  }
  // The amplifier sits behind the upper end of the left edge.
  const reach = width / 11;
  const glow = Float64Array.from({ length: width + height }, (_, r) => Math.exp(-r / reach));
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const far = Math.hypot(x, (y - height * 0.16) * 0.6) | 0;
      dark[y * width + x] = camera.darkCurrent + camera.ampGlow * glow[far]!;
    }
  }
  const dust = Array.from({ length: camera.dust }, () => ({
    x: random() * width,
    y: random() * height,
    radius: width * (0.006 + 0.01 * random()),
    depth: 0.04 + 0.08 * random(),
  }));
  for (const spot of dust) shade(response, width, height, spot);
  const defects = plantDefects(scenario, random, response, dark);
  const columns = Float32Array.from(
    { length: width },
    () => camera.columnPattern * NORMAL[(random() * QUANTILES) | 0]!,
  );
  return { response, dark, columns, defects, dust };
}

function shade(response: Float32Array, width: number, height: number, spot: Sensor['dust'][number]): void {
  const reach = Math.ceil(spot.radius * 1.5);
  for (let y = Math.max(0, Math.round(spot.y) - reach); y < Math.min(height, spot.y + reach); y++) {
    for (let x = Math.max(0, Math.round(spot.x) - reach); x < Math.min(width, spot.x + reach); x++) {
      const r = Math.hypot(x - spot.x, y - spot.y) / spot.radius;
      response[y * width + x] = response[y * width + x]! * (1 - spot.depth / (1 + Math.exp((r - 1) * 12)));
    }
  }
}

function plantDefects(
  scenario: NightScenario,
  random: Random,
  response: Float32Array,
  dark: Float32Array,
): SensorDefect[] {
  const { width, height, hotPixels, coldPixels } = scenario.camera;
  const taken = new Set<number>();
  const place = (): number => {
    for (;;) {
      const k = Math.floor(random() * width * height);
      if (!taken.has(k)) {
        taken.add(k);
        return k;
      }
    }
  };
  const defects: SensorDefect[] = [];
  for (let i = 0; i < hotPixels; i++) {
    const k = place();
    // Many faint ones, few that are white: log-uniform from 20 to 6000 e-/s.
    const value = 20 * 300 ** random();
    dark[k] = dark[k]! + value;
    defects.push({ x: k % width, y: Math.floor(k / width), kind: 'hot', value });
  }
  for (let i = 0; i < coldPixels; i++) {
    const k = place();
    const value = 0.02 + 0.3 * random();
    response[k] = response[k]! * value;
    defects.push({ x: k % width, y: Math.floor(k / width), kind: 'cold', value });
  }
  return defects;
}

/** Dark current against that at 20 deg C: doubles every 6 deg C. @source common figure for silicon; R. Widenhorn et al., SPIE 4669 (2002) 193. */
export const darkFactor = (temperature: number): number => 2 ** ((temperature - 20) / 6);

/** Reads light out as raw ADU with all the sensor's own doing. `light` holds electrons; it is not changed. */
export function readOut(
  scenario: NightScenario,
  sensor: Sensor,
  input: {
    readonly shot: Shot;
    readonly seconds: number;
    readonly light: Float32Array | undefined;
    readonly seed: number;
  },
): Uint16Array {
  const { camera } = scenario;
  const { width, height } = camera;
  const { light } = input;
  const gain = gainOf(scenario, input.shot);
  const darkSeconds = input.seconds * darkFactor(input.shot.temperature);
  const out = new Uint16Array(width * height);
  let state = input.seed >>> 0;
  const readAdu = camera.readNoise / gain;
  const perElectron = 1 / gain;
  for (let y = 0; y < height; y++) {
    state = (state + 0x6d2b79f5) | 0;
    const rowOffset = camera.blackLevel + camera.rowNoise * NORMAL[mix(state) >>> 16]!;
    for (let x = 0; x < width; x++) {
      const k = y * width + x;
      const mean =
        sensor.dark[k]! * darkSeconds + (light === undefined ? 0 : light[k]! * sensor.response[k]!);
      state = (state + 0x6d2b79f5) | 0;
      const bits = mix(state);
      let electrons: number;
      if (mean > 30) {
        electrons = Math.round(mean + Math.sqrt(mean) * NORMAL[bits >>> 16]!);
      } else {
        // Inversion: walk up the distribution until the drawn probability is used up.
        let left = ((bits >>> 9) + 0.5) / 8388608;
        let share = Math.exp(-mean);
        electrons = 0;
        while (left > share && electrons < 120) {
          left -= share;
          electrons++;
          share *= mean / electrons;
        }
      }
      state = (state + 0x6d2b79f5) | 0;
      const noise = readAdu * NORMAL[mix(state) >>> 16]!;
      const value = rowOffset + sensor.columns[x]! + electrons * perElectron + noise;
      out[k] = value <= 0 ? 0 : value >= camera.whiteLevel ? camera.whiteLevel : Math.round(value);
    }
  }
  return out;
}

/** One step of mulberry32's output function (see core/random), inlined for speed: 32 random bits. */
function mix(state: number): number {
  let t = Math.imul(state ^ (state >>> 15), state | 1);
  t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
  return (t ^ (t >>> 14)) >>> 0;
}
