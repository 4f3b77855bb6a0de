import { type CfaPattern, type ColorImage, cfaColor } from '../core/index.js';
import { colorNeighbors, type Neighbors, neighborMean, neighborReach } from './_neighbors.js';

/**
 * `edge-aware`: Hamilton and Adams' interpolation along the direction in which green and the second
 * difference of the site's own colour change least. `bilinear`: mean of the nearest samples of each colour.
 */
export type DemosaicMethod = 'edge-aware' | 'bilinear';

/** What `demosaicInto` needs to know of its pixels. */
export interface DemosaicOptions {
  readonly width: number;
  readonly height: number;
  /** Pattern as seen from the first pixel handed over. */
  readonly cfa: CfaPattern;
  readonly method: DemosaicMethod;
  /** ADU at which each colour counts as clipped: interpolation beside it is bilinear, for its slopes lie. */
  readonly saturation: readonly [number, number, number];
}

/** Pixels on each side whose value depends on what lies beyond the part handed over. */
export const DEMOSAIC_REACH = 4;

/** True for the 2 x 2 patterns with green on a diagonal. */
export function isBayer(cfa: CfaPattern): boolean {
  if (cfa.width !== 2 || cfa.height !== 2) return false;
  const greens = cfa.colors.map((color) => color === 1);
  return (
    new Set(cfa.colors).size === 3 &&
    greens[0] === greens[3] &&
    greens[1] === greens[2] &&
    greens[0] !== greens[1]
  );
}

/**
 * Makes three planes of a colour-filter mosaic. Other patterns than the 2 x 2 Bayer ones (the 6 x 6 one, for
 * example) are always interpolated by the weighted mean of each colour's samples within 2 px.
 *
 * @param mosaic f32[height*width], ADU; NaN = no data, filled from neighbours. Not modified.
 * @param out f32[3*height*width]; NaN where no sample of that colour is near
 * @source J. F. Hamilton and J. E. Adams, US patent 5,629,734 (1997, lapsed): green by second-order
 *   directional estimates, red and blue by green differences; survey: B. K. Gunturk et al., IEEE Signal
 *   Processing Magazine 22 (2005) 44.
 */
export function demosaicInto(mosaic: Float32Array, out: Float32Array, options: DemosaicOptions): void {
  const { width, height, cfa } = options;
  const average = averager(mosaic, options);
  if (options.method === 'bilinear' || !isBayer(cfa)) {
    for (let y = 0; y < height; y++) average.row(out, y, 0, width);
    return;
  }
  const green = out.subarray(width * height, 2 * width * height);
  interpolateGreen(mosaic, green, options, average);
  interpolateRedBlue(mosaic, green, out, options, average);
}

/** Makes a colour picture of a whole mosaic; see `demosaicInto`. */
export function demosaic(mosaic: Float32Array, options: DemosaicOptions): ColorImage {
  const { width, height } = options;
  const data = new Float32Array(3 * width * height);
  demosaicInto(mosaic, data, options);
  return { width, height, data };
}

interface Averager {
  /** Bilinear value of one colour at one pixel. */
  at(x: number, y: number, color: number): number;
  /** Bilinear values of all colours of part of a row. */
  row(out: Float32Array, y: number, from: number, to: number): void;
}

function averager(mosaic: Float32Array, options: DemosaicOptions): Averager {
  const { width, height, cfa } = options;
  const reach = neighborReach(cfa);
  const lists = colorNeighbors(cfa, reach);
  const steps = lists.map((list) => Int32Array.from(list.dx, (dx, k) => list.dy[k]! * width + dx));
  const size = width * height;
  const site = (x: number, y: number): number => (y % cfa.height) * cfa.width + (x % cfa.width);

  function inside(at: number, list: Neighbors, offsets: Int32Array): number {
    let sum = 0;
    let total = 0;
    for (let k = 0; k < offsets.length; k++) {
      sum += list.weight[k]! * mosaic[at + offsets[k]!]!;
      total += list.weight[k]!;
    }
    return sum / total;
  }

  function value(x: number, y: number, color: number): number {
    const index = 3 * site(x, y) + color;
    const list = lists[index]!;
    if (x >= reach && x < width - reach && y >= reach && y < height - reach) {
      const mean = inside(y * width + x, list, steps[index]!);
      if (!Number.isNaN(mean)) return mean;
    }
    const mean = neighborMean(mosaic, width, height, x, y, list);
    // A missing sample has no list of its own: take its colour's neighbours.
    return Number.isNaN(mean) && list.weight.length === 1 ? missing(x, y, color) : mean;
  }

  function missing(x: number, y: number, color: number): number {
    let sum = 0;
    let total = 0;
    for (let j = -2; j <= 2; j++) {
      for (let i = -2; i <= 2; i++) {
        const sx = x + i;
        const sy = y + j;
        if (sx < 0 || sx >= width || sy < 0 || sy >= height || cfaColor(cfa, sx, sy) !== color) continue;
        const sample = mosaic[sy * width + sx]!;
        if (Number.isNaN(sample)) continue;
        const weight = (3 - Math.abs(i)) * (3 - Math.abs(j));
        sum += weight * sample;
        total += weight;
      }
    }
    return sum / total;
  }

  return {
    at: value,
    row(out, y, from, to) {
      for (let x = from; x < to; x++) {
        for (let color = 0; color < 3; color++) out[color * size + y * width + x] = value(x, y, color);
      }
    },
  };
}

function interpolateGreen(
  mosaic: Float32Array,
  green: Float32Array,
  options: DemosaicOptions,
  average: Averager,
): void {
  const { width: w, height, cfa } = options;
  const greenTop = options.saturation[1];
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < w; x++) {
      const at = y * w + x;
      const color = cfaColor(cfa, x, y);
      const c = mosaic[at]!;
      if (color === 1) {
        green[at] = Number.isNaN(c) ? average.at(x, y, 1) : c;
        continue;
      }
      let value = Number.NaN;
      if (x >= 2 && x < w - 2 && y >= 2 && y < height - 2) {
        const left = mosaic[at - 1]!;
        const right = mosaic[at + 1]!;
        const up = mosaic[at - w]!;
        const down = mosaic[at + w]!;
        const bendX = 2 * c - mosaic[at - 2]! - mosaic[at + 2]!;
        const bendY = 2 * c - mosaic[at - 2 * w]! - mosaic[at + 2 * w]!;
        const alongX = Math.abs(left - right) + Math.abs(bendX);
        const alongY = Math.abs(up - down) + Math.abs(bendY);
        const top = Math.max(left, right, up, down);
        if (c < options.saturation[color] && top < greenTop) {
          if (alongX < alongY) value = (left + right) / 2 + bendX / 4;
          else if (alongY < alongX) value = (up + down) / 2 + bendY / 4;
          else value = (left + right + up + down) / 4 + (bendX + bendY) / 8;
        }
      }
      green[at] = Number.isNaN(value) ? average.at(x, y, 1) : value;
    }
  }
}

function interpolateRedBlue(
  mosaic: Float32Array,
  green: Float32Array,
  out: Float32Array,
  options: DemosaicOptions,
  average: Averager,
): void {
  const { width: w, height, cfa, saturation } = options;
  const size = w * height;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < w; x++) {
      const at = y * w + x;
      const here = cfaColor(cfa, x, y);
      const edge = x < 1 || x >= w - 1 || y < 1 || y >= height - 1;
      for (let color = 0; color < 3; color += 2) {
        let value = Number.NaN;
        if (here === color) value = mosaic[at]!;
        else if (!edge && here === 1) {
          // On a green site the colour's two samples lie left and right, or above and below.
          const step = cfaColor(cfa, x + 1, y) === color ? 1 : w;
          const a = mosaic[at - step]!;
          const b = mosaic[at + step]!;
          if (Math.max(a, b) < saturation[color]! && mosaic[at]! < saturation[1]) {
            value = green[at]! + (a - green[at - step]! + b - green[at + step]!) / 2;
          }
        } else if (!edge) {
          value = diagonal(mosaic, green, at, w, saturation[color]!);
        }
        out[color * size + at] = Number.isNaN(value) ? average.at(x, y, color) : value;
      }
    }
  }
}

/** Red on a blue site or blue on a red one, along the diagonal that changes less; NaN beside clipped samples. */
function diagonal(mosaic: Float32Array, green: Float32Array, at: number, w: number, top: number): number {
  const a = mosaic[at - w - 1]!;
  const b = mosaic[at + w + 1]!;
  const c = mosaic[at - w + 1]!;
  const d = mosaic[at + w - 1]!;
  if (!(Math.max(a, b, c, d) < top)) return Number.NaN;
  const ga = green[at - w - 1]!;
  const gb = green[at + w + 1]!;
  const gc = green[at - w + 1]!;
  const gd = green[at + w - 1]!;
  const g = green[at]!;
  const falling = Math.abs(a - b) + Math.abs(2 * g - ga - gb);
  const rising = Math.abs(c - d) + Math.abs(2 * g - gc - gd);
  const alongFalling = g + (a - ga + b - gb) / 2;
  const alongRising = g + (c - gc + d - gd) / 2;
  if (falling < rising) return alongFalling;
  if (rising < falling) return alongRising;
  return (alongFalling + alongRising) / 2;
}
