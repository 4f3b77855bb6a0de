import { type CfaPattern, type FramePixels, median, SIGMA_PER_MAD } from '../core/index.js';
import { sitePeriod } from './_sites.js';
import type { Master } from './master.js';

/** Pixels that do not follow the light: indices `y*width + x` into the mosaic, ascending. */
export interface DefectMap {
  readonly width: number;
  readonly height: number;
  readonly index: Int32Array;
}

/** Joins maps of one sensor. */
export function joinDefects(...maps: readonly (DefectMap | undefined)[]): DefectMap | undefined {
  const given = maps.filter((map) => map !== undefined);
  const [first] = given;
  if (!first) return undefined;
  const all = new Set(given.flatMap((map) => [...map.index]));
  const { width, height } = first;
  return { width, height, index: Int32Array.from(all).sort() };
}

/** px to the nearest pixels of the same colour, left, right, above and below. */
function sameColorStep(cfa: CfaPattern | undefined): number {
  return cfa ? (cfa.width === 2 ? 2 : cfa.width) : 1;
}

/**
 * What a pixel stands above its four nearest same-colour neighbours' median, ADU; NaN within a step of the
 * edge. f32[height*width]. The median of four is the mean of the middle two. Below the median but not below
 * all four is 0: beside a lamp the dark side is no dead pixel.
 */
export function excessOver(
  data: Float32Array,
  size: { readonly width: number; readonly height: number; readonly cfa?: CfaPattern },
): Float32Array {
  const { width: w, height } = size;
  const step = sameColorStep(size.cfa);
  const excess = new Float32Array(w * height).fill(Number.NaN);
  for (let y = step; y < height - step; y++) {
    for (let x = step; x < w - step; x++) {
      const at = y * w + x;
      const a = data[at - step]!;
      const b = data[at + step]!;
      const c = data[at - step * w]!;
      const d = data[at + step * w]!;
      const low = Math.min(a, b, c, d);
      const high = Math.max(a, b, c, d);
      const over = data[at]! - (a + b + c + d - low - high) / 2;
      excess[at] = over < 0 && data[at]! >= low ? 0 : over;
    }
  }
  return excess;
}

/** Typical noise of excesses, from the positive half of a strided sample: the negative half holds the zeros. */
function sampleSigma(values: Float32Array): number {
  const step = sitePeriod(values.length);
  return SIGMA_PER_MAD * median(values.filter((value, i) => i % step === 0 && value > 0));
}

/** Limit in sigma of the map itself beyond which a pixel is a defect. */
const DEFECT_SIGMA = 6;
/** Two touching pixels with this share of the excess mean light, not a defect. */
const TOUCHING_SHARE = 0.3;

/**
 * Defects of a master dark: pixels that stand out of their same-colour neighbours by more than the light's
 * own noise can hide. Weaker ones are removed by subtracting the dark.
 *
 * @param noise 1-sigma noise of one light's pixel, ADU; default the darks' own scatter
 */
export function defectsFromDark(dark: Master, noise = dark.spread): DefectMap {
  const excess = excessOver(dark.data, dark);
  const limit = DEFECT_SIGMA * Math.max(noise, sampleSigma(excess) || 0);
  const found: number[] = [];
  for (let i = 0; i < excess.length; i++) if (Math.abs(excess[i]!) > limit) found.push(i);
  return { width: dark.width, height: dark.height, index: Int32Array.from(found) };
}

/** Finds defects in a run of lights: they stay while the stars move (P16). */
export interface DefectFinder {
  /** Takes one light, dark-subtracted or not; more than `maxFrames` are not looked at. */
  add(pixels: Pick<FramePixels, 'data'>): void;
  readonly count: number;
  /** The map; empty below three frames, where a slow star cannot be told from a defect. */
  finish(): DefectMap;
}

/** What `createDefectFinder` needs. */
export interface DefectFinderOptions {
  readonly width: number;
  readonly height: number;
  readonly cfa?: CfaPattern;
  /** Frames looked at, spread over the run by the caller; one byte a pixel each. Default 15. */
  readonly maxFrames?: number;
}

/** Steps of a stored excess per sigma of its frame: 8 sigma fit a signed byte. */
const STEPS = 15;

/**
 * Starts the search. Each frame's excess over the same-colour neighbours is kept in units of its noise; a
 * pixel whose median over the frames stands out, while no two pixels that touch it do so too, is a defect.
 */
export function createDefectFinder(options: DefectFinderOptions): DefectFinder {
  const { width, height, maxFrames = 15 } = options;
  const kept: Int8Array[] = [];

  function add(pixels: Pick<FramePixels, 'data'>): void {
    if (kept.length >= maxFrames) return;
    const excess = excessOver(pixels.data, options);
    const perStep = STEPS / (sampleSigma(excess) || 1);
    const bytes = new Int8Array(excess.length);
    for (let i = 0; i < bytes.length; i++) {
      const value = excess[i]! * perStep;
      bytes[i] = Number.isNaN(value) ? 0 : Math.round(Math.max(-127, Math.min(127, value)));
    }
    kept.push(bytes);
  }

  function finish(): DefectMap {
    if (kept.length < 3) return { width, height, index: new Int32Array(0) };
    const middle = temporalMedian(kept);
    // Scatter of a median of n: sqrt(pi/2 / n). Measured may be less where zeros pile up.
    const limit =
      DEFECT_SIGMA * Math.max(sampleSigma(middle) || 0, STEPS * Math.sqrt(Math.PI / 2 / kept.length));
    const found: number[] = [];
    for (let y = 1; y < height - 1; y++) {
      for (let x = 1; x < width - 1; x++) {
        const at = y * width + x;
        const value = middle[at]!;
        if (Math.abs(value) <= limit) continue;
        if (touchingSecond(middle, at, width, Math.sign(value)) < TOUCHING_SHARE * Math.abs(value))
          found.push(at);
      }
    }
    return { width, height, index: Int32Array.from(found) };
  }

  return {
    add,
    finish,
    get count() {
      return kept.length;
    },
  };
}

/**
 * Second greatest value, in the sense of `sign`, of the eight pixels that touch one: light spreads over
 * several of them, while two defects may lie side by side.
 */
function touchingSecond(values: Float32Array, at: number, width: number, sign: number): number {
  let most = Number.NEGATIVE_INFINITY;
  let second = most;
  for (let j = -1; j <= 1; j++) {
    for (let i = -1; i <= 1; i++) {
      if (i === 0 && j === 0) continue;
      const value = sign * values[at + j * width + i]!;
      if (value > most) {
        second = most;
        most = value;
      } else if (value > second) second = value;
    }
  }
  return second;
}

/** Median over frames, pixel by pixel (insertion sort of at most a few tens of bytes). */
function temporalMedian(frames: readonly Int8Array[]): Float32Array {
  const n = frames.length;
  const result = new Float32Array(frames[0]!.length);
  const sorted = new Int8Array(n);
  for (let i = 0; i < result.length; i++) {
    for (let f = 0; f < n; f++) {
      const value = frames[f]![i]!;
      let k = f;
      while (k > 0 && sorted[k - 1]! > value) {
        sorted[k] = sorted[k - 1]!;
        k--;
      }
      sorted[k] = value;
    }
    result[i] = (sorted[(n - 1) >> 1]! + sorted[n >> 1]!) / 2;
  }
  return result;
}

/**
 * Repairs defects and pixels without data of a mosaic, in place, by the median of the nearest same-colour
 * pixels that are sound; looks further out where there is none. Returns how many were repaired.
 */
export function repairDefects(
  data: Float32Array,
  size: { readonly width: number; readonly height: number; readonly cfa?: CfaPattern },
  defects: DefectMap,
): number {
  const { width, height, cfa } = size;
  // Repaired values must not feed other repairs: mark all first, fill after.
  for (const at of defects.index) data[at] = Number.NaN;
  const values = new Float32Array(defects.index.length);
  let repaired = 0;
  defects.index.forEach((at, k) => {
    values[k] = soundNeighbors(data, { width, height, cfa }, at);
    if (!Number.isNaN(values[k]!)) repaired++;
  });
  defects.index.forEach((at, k) => {
    data[at] = values[k]!;
  });
  return repaired;
}

function soundNeighbors(
  data: Float32Array,
  size: { readonly width: number; readonly height: number; readonly cfa: CfaPattern | undefined },
  at: number,
): number {
  const { width, height, cfa } = size;
  const x = at % width;
  const y = (at - x) / width;
  const color = (px: number, py: number): number =>
    cfa ? cfa.colors[(py % cfa.height) * cfa.width + (px % cfa.width)]! : 0;
  const own = color(x, y);
  for (let reach = cfa ? 2 : 1; reach <= 8; reach++) {
    const values: number[] = [];
    for (let py = Math.max(0, y - reach); py <= Math.min(height - 1, y + reach); py++) {
      for (let px = Math.max(0, x - reach); px <= Math.min(width - 1, x + reach); px++) {
        if (color(px, py) !== own) continue;
        const value = data[py * width + px]!;
        if (!Number.isNaN(value)) values.push(value);
      }
    }
    if (values.length >= 3) return median(values);
  }
  return Number.NaN;
}
