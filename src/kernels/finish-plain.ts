import { FINISH_MARGIN, FINISH_PARAMETERS, type FinishCall } from './kernel-types.js';

const f = Math.fround;
const THIRD = f(0.33333334);
const P = FINISH_PARAMETERS;

/** Constants as the kernel holds them, in single precision. */
const single = (...values: number[]): Float32Array => Float32Array.from(values);
const LIGHT = single(0.2126, 0.7152, 0.0722);
const TO_LMS = single(
  ...[0.4122214708, 0.5363325363, 0.0514459929],
  ...[0.2119034982, 0.6806995451, 0.1073969566],
  ...[0.0883024619, 0.2817188376, 0.6299787005],
);
const TO_LAB = single(
  ...[0.2104542553, 0.793617785, -0.0040720468],
  ...[1.9779984951, -2.428592205, 0.4505937099],
  ...[0.0259040371, 0.7827717662, -0.808675766],
);
const FROM_LAB = single(
  ...[1, 0.3963377774, 0.2158037573],
  ...[1, -0.1055613458, -0.0638541728],
  ...[1, -0.0894841775, -1.291485548],
);
const FROM_LMS = single(
  ...[4.0767416621, -3.3077115913, 0.2309699292],
  ...[-1.2684380046, 2.6097574011, -0.3413193965],
  ...[-0.0041960863, -0.7034186147, 1.707614701],
);

function dot3(m: ArrayLike<number>, row: number, x: number, y: number, z: number): number {
  return f(f(f(m[3 * row]! * x) + f(m[3 * row + 1]! * y)) + f(m[3 * row + 2]! * z));
}

/** (1 4 6 4 1) in the kernel's order. */
const taps = (a: number, b: number, c: number, d: number, e: number): number =>
  f(f(f(f(a + f(4 * b)) + f(6 * c)) + f(4 * d)) + e);

/** Sums along a row, missing samples left out, and the weights of those that were there. */
function along(
  source: Float32Array,
  start: number,
  length: number,
  sums: Float32Array,
  weights: Float32Array,
): void {
  const value = (x: number): number => {
    const v = source[start + x]!;
    return Number.isNaN(v) ? 0 : v;
  };
  const there = (x: number): number => (Number.isNaN(source[start + x]!) ? 0 : 1);
  for (let x = FINISH_MARGIN; x < length - FINISH_MARGIN; x++) {
    sums[start + x] = taps(value(x - 2), value(x - 1), value(x), value(x + 1), value(x + 2));
    weights[start + x] = taps(there(x - 2), there(x - 1), there(x), there(x + 1), there(x + 2));
  }
}

const down = (data: Float32Array, i: number, length: number): number =>
  taps(data[i]!, data[i + length]!, data[i + 2 * length]!, data[i + 3 * length]!, data[i + 4 * length]!);

const bits = new DataView(new ArrayBuffer(4));

/** Cube root of a value >= 0: a guess from the bits, then two of Halley's steps. */
function cubeRoot(x: number): number {
  bits.setFloat32(0, x);
  const third = f(f(bits.getInt32(0)) * THIRD);
  bits.setInt32(0, Math.trunc(third) + 709921077);
  let y = bits.getFloat32(0);
  for (let i = 0; i < 2; i++) {
    const cube = f(f(y * y) * y);
    y = f(f(y * f(cube + f(x + x))) / f(f(cube + cube) + x));
  }
  return y;
}

function roomFor(value: number, grey: number): number {
  if (value > 1) return f(f(1 - grey) / f(value - grey));
  if (value < 0) return f(grey / f(grey - value));
  return 1;
}

/** Brings a triple into 0..1 toward its own grey, so that hue and brightness hold where they can. */
function fitGamut(rgb: Float32Array): void {
  const mean = f(f(f(rgb[0]! + rgb[1]!) + rgb[2]!) * THIRD);
  const grey = Math.min(1, Math.max(0, mean));
  const share = Math.min(Math.min(roomFor(rgb[0]!, grey), roomFor(rgb[1]!, grey)), roomFor(rgb[2]!, grey));
  for (let c = 0; c < 3; c++) rgb[c] = grey + f(share * f(rgb[c]! - grey));
}

/** @param core share of a star's core, 0..1 */
function saturate(rgb: Float32Array, factor: number, core: number): void {
  const [r, g, b] = [rgb[0]!, rgb[1]!, rgb[2]!];
  const l = cubeRoot(Math.max(0, dot3(TO_LMS, 0, r, g, b)));
  const m = cubeRoot(Math.max(0, dot3(TO_LMS, 1, r, g, b)));
  const s = cubeRoot(Math.max(0, dot3(TO_LMS, 2, r, g, b)));
  const bright = dot3(TO_LAB, 0, l, m, s);
  let a1 = f(factor * dot3(TO_LAB, 1, l, m, s));
  const b1 = f(factor * dot3(TO_LAB, 2, l, m, s));
  // Stars glow as hot bodies do, from orange over white to blue: a green or purple core is the mosaic's doing.
  const line = f(b1 * (b1 > 0 ? f(0.4) : f(0.2)));
  const spread = f(f(Math.abs(b1) * 0.25) + f(0.004));
  const natural = Math.min(f(line + spread), Math.max(f(line - spread), a1));
  a1 = f(a1 + f(core * f(natural - a1)));
  const cube = (v: number): number => f(f(v * v) * v);
  const l3 = cube(dot3(FROM_LAB, 0, bright, a1, b1));
  const m3 = cube(dot3(FROM_LAB, 1, bright, a1, b1));
  const s3 = cube(dot3(FROM_LAB, 2, bright, a1, b1));
  for (let c = 0; c < 3; c++) rgb[c] = dot3(FROM_LMS, c, l3, m3, s3);
}

function encoded(linear: number, table: Float32Array, size: number): number {
  if (!(linear > 0)) return 0;
  if (linear >= 1) return 65535;
  const place = f(f(Math.sqrt(linear)) * size);
  const low = Math.trunc(place);
  return Math.trunc(f(f(table[2 * low]! + f(f(place - low) * table[2 * low + 1]!)) + 0.5));
}

/** Twin of the kernel of this name; see `Kernels.finishBand`. */
export function finishBandPlain(call: FinishCall): number {
  const { rowLength, width, rows } = call;
  const source = call.source.data;
  const [land, sharpness, smoothing] = [call.land.data, call.sharpness.data, call.smoothing.data];
  const [gradient, q, tone] = [call.gradient.data, call.parameters.data, call.tone.data];
  const [encode, out] = [call.encode.data, call.out.data];
  const toneSize = call.tone.length / 4 - 2;
  const encodeSize = call.encode.length / 2 - 2;
  const plane = (rows + 4) * rowLength;
  const sums = new Float32Array(3 * plane);
  const weights = new Float32Array(3 * plane);
  for (let row = 0; row < 3 * (rows + 4); row++) {
    along(source, row * rowLength, rowLength, sums, weights);
  }
  const matrix = q.subarray(P.matrix, P.matrix + 9);
  const own = new Float32Array(3);
  const soft = new Float32Array(3);
  const camera = new Float32Array(3);
  const calmed = new Float32Array(3);
  const levels = new Float32Array(4);
  let clipped = 0;
  for (let y = 0; y < rows; y++) {
    for (let x = 0; x < width; x++) {
      const i = y * rowLength + FINISH_MARGIN + x;
      const flat = y * rowLength + x;
      const landShare = land[flat]!;
      const skyShare = f(1 - landShare);
      for (let c = 0; c < 3; c++) {
        const taken = f(gradient[flat + c * rows * rowLength]! * skyShare);
        const blurred = f(down(sums, i + c * plane, rowLength) / down(weights, i + c * plane, rowLength));
        const value = source[i + c * plane + 2 * rowLength]!;
        const here = Number.isNaN(value) ? blurred : value;
        // Balanced and held at the level that every colour reaches.
        const clip = q[P.clip]!;
        const held = (v: number): number => Math.min(v, clip);
        camera[c] = held(f(f(here - taken) * q[P.multipliers + c]!));
        calmed[c] = held(f(f(blurred - taken) * q[P.multipliers + c]!));
      }
      for (let c = 0; c < 3; c++) {
        own[c] = dot3(matrix, c, camera[0]!, camera[1]!, camera[2]!);
        soft[c] = dot3(matrix, c, calmed[0]!, calmed[1]!, calmed[2]!);
      }
      const light = dot3(LIGHT, 0, own[0]!, own[1]!, own[2]!);
      const calm = dot3(LIGHT, 0, soft[0]!, soft[1]!, soft[2]!);
      const away = f(f(light - calm) * sharpness[flat]!);
      const near = Math.max(0, f(1 - f(away * away)));
      const share = f(smoothing[flat]! * f(near * near));
      const colorShare = Math.min(1, f(3 * share));
      const base = f(light + f(share * f(calm - light)));
      for (let c = 0; c < 3; c++) {
        const chroma = f(own[c]! - light);
        const mixed = f(chroma + f(colorShare * f(f(soft[c]! - calm) - chroma)));
        const cast = f(f(q[P.cast + c]! * skyShare) + f(q[P.landCast + c]! * landShare));
        own[c] = f(base + mixed) - cast;
        soft[c] = soft[c]! - cast;
      }
      // Core and skirt of a star differ in colour, as green is sharper than red and blue: both take that of its whole light.
      const around = dot3(LIGHT, 0, soft[0]!, soft[1]!, soft[2]!);
      const bright = dot3(LIGHT, 0, own[0]!, own[1]!, own[2]!);
      const ratio = f(bright / Math.max(around, 1));
      const most = Math.min(1, f(f(2.2) * smoothing[flat]!));
      const core = around > 1 ? f(f(most * f(1 - near)) * skyShare) : 0;
      for (let c = 0; c < 3; c++) own[c] = own[c]! + f(core * f(f(soft[c]! * ratio) - own[c]!));
      const value = f(f(f(own[0]! + own[1]!) + own[2]!) * THIRD);
      const to = (y * width + x) * 3;
      if (Number.isNaN(value)) {
        out.fill(0, to, to + 3);
        continue;
      }
      const x01 = f(f(value - q[P.toneFrom]!) * q[P.toneScale]!);
      const place = f(f(Math.sqrt(x01 > 0 ? Math.min(1, x01) : 0)) * toneSize);
      const low = Math.trunc(place);
      const part = f(place - low);
      for (let k = 0; k < 4; k++) {
        const a = tone[4 * low + k]!;
        levels[k] = a + f(part * f(tone[4 * low + 4 + k]! - a));
      }
      // Land is lifted toward the sky's own level and never above it, unless it is truly brighter.
      const held = Math.min(levels[2]!, Math.max(levels[0]!, q[P.landCap]!));
      const heldGain = f(f(levels[3]! * held) / Math.max(levels[2]!, f(1e-9)));
      const whole = f(f(skyShare * levels[0]!) + f(landShare * held));
      const spread = f(f(skyShare * levels[1]!) + f(landShare * heldGain));
      for (let c = 0; c < 3; c++) own[c] = whole + f(spread * f(own[c]! - value));
      fitGamut(own);
      saturate(own, q[P.saturation]!, core);
      fitGamut(own);
      let full = false;
      for (let c = 0; c < 3; c++) {
        const code = encoded(own[c]!, encode, encodeSize);
        out[to + c] = code;
        full ||= code === 65535;
      }
      if (full) clipped++;
    }
  }
  return clipped;
}
