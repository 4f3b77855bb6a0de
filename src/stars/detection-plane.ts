import { cfaColor, type FramePixels, type Plane } from '../core/index.js';
import { patternOf, sameColorNeighbours, smallMedian } from './_neighbours.js';
import { findSpikes } from './_spikes.js';
import type { MeasuringPlane } from './types.js';

/**
 * Makes the plane that stars are measured on, at full resolution: green, interpolated between the green
 * pixels, from a mosaic; the plane itself from a mono frame; (red + 2 green + blue) / 4 from a colour frame.
 *
 * Defects are repaired on the mosaic before any interpolation (P12): those given, and single bright pixels
 * that no touching pixel answers to. Any pattern works, 2x2 and 6x6 alike: a pixel without green takes the
 * mean of the green pixels that touch it, diagonal ones at half weight.
 *
 * @param pixels not modified
 * @param defects pixel indices y*width + x to repair, from `defectsOfRun` or `defectsOfDark`
 * @returns f32[height*width], ADU above black
 */
export function detectionPlane(pixels: FramePixels, defects?: Uint32Array): MeasuringPlane {
  const { width, height } = pixels;
  if (pixels.kind === 'color') return luminance(pixels);
  if (pixels.kind === 'mono') {
    const data = defects?.length ? repaired(pixels, defects) : pixels.data;
    return { width, height, data };
  }
  const cfa = patternOf(pixels);
  const all: number[] = defects ? Array.from(defects) : [];
  findSpikes({ width, height, data: pixels.data, cfa }, (index) => all.push(index));
  const data = all.length > 0 ? repaired(pixels, Uint32Array.from(all)) : pixels.data;
  return interpolateGreen({ ...pixels, data });
}

function luminance(pixels: FramePixels): Plane {
  const { width, height, data } = pixels;
  const size = width * height;
  const out = new Float32Array(size);
  for (let i = 0; i < size; i++) {
    out[i] = 0.25 * data[i]! + 0.5 * data[size + i]! + 0.25 * data[2 * size + i]!;
  }
  return { width, height, data: out };
}

/** A copy of the data with each listed pixel replaced by the median of its sound same-colour neighbours. */
function repaired(pixels: FramePixels, defects: Uint32Array): Float32Array {
  const { width, height } = pixels;
  const cfa = patternOf(pixels);
  const neighbours = sameColorNeighbours(cfa);
  const bad = new Set<number>(defects);
  const data = pixels.data.slice();
  const values = new Float64Array(8);
  for (const i of bad) {
    const x = i % width;
    const y = (i - x) / width;
    if (y >= height) continue;
    let n = 0;
    for (const [dx, dy] of neighbours[(y % cfa.height) * cfa.width + (x % cfa.width)]!) {
      const px = x + dx;
      const py = y + dy;
      if (px < 0 || py < 0 || px >= width || py >= height) continue;
      const j = py * width + px;
      const value = pixels.data[j]!;
      if (!bad.has(j) && !Number.isNaN(value)) values[n++] = value;
    }
    if (n > 0) data[i] = smallMedian(values, n);
  }
  return data;
}

/** Mean of touching green pixels where there is none; green pixels stay as they are. */
function interpolateGreen(pixels: FramePixels): MeasuringPlane {
  const { width, height, data } = pixels;
  const cfa = patternOf(pixels);
  const out = new Float32Array(width * height);
  // For each site of the pattern: flat offsets and weights of the touching green pixels.
  const sites: { readonly offsets: Int32Array; readonly weights: Float64Array }[] = [];
  for (let sy = 0; sy < cfa.height; sy++) {
    for (let sx = 0; sx < cfa.width; sx++) {
      const list = greenAround(sx + cfa.width * 4, sy + cfa.height * 4, cfa);
      const total = list.reduce((sum, [, , w]) => sum + w, 0);
      sites.push({
        offsets: Int32Array.from(list.map(([dx, dy]) => dy * width + dx)),
        weights: Float64Array.from(list.map(([, , w]) => w / total)),
      });
    }
  }
  for (let y = 0; y < height; y++) {
    const inside = y > 0 && y < height - 1;
    const siteRow = (y % cfa.height) * cfa.width;
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      const site = siteRow + (x % cfa.width);
      if (cfa.colors[site] === 1) {
        out[i] = data[i]!;
        continue;
      }
      const { offsets, weights } = sites[site]!;
      if (inside && x > 0 && x < width - 1) {
        if (offsets.length === 4) {
          out[i] =
            weights[0]! * data[i + offsets[0]!]! +
            weights[1]! * data[i + offsets[1]!]! +
            weights[2]! * data[i + offsets[2]!]! +
            weights[3]! * data[i + offsets[3]!]!;
        } else {
          let sum = 0;
          for (let k = 0; k < offsets.length; k++) sum += weights[k]! * data[i + offsets[k]!]!;
          out[i] = sum;
        }
        continue;
      }
      let sum = 0;
      let total = 0;
      for (const [dx, dy, w] of greenAround(x + cfa.width * 4, y + cfa.height * 4, cfa)) {
        const px = x + dx;
        const py = y + dy;
        if (px < 0 || py < 0 || px >= width || py >= height) continue;
        sum += w * data[py * width + px]!;
        total += w;
      }
      out[i] = total > 0 ? sum / total : Number.NaN;
    }
  }
  return { width, height, data: out, sampled: cfa };
}

function greenAround(
  x: number,
  y: number,
  cfa: ReturnType<typeof patternOf>,
): (readonly [number, number, number])[] {
  const list: (readonly [number, number, number])[] = [];
  let sides = 0;
  for (const [dx, dy] of [
    [-1, 0],
    [1, 0],
    [0, -1],
    [0, 1],
  ] as const) {
    if (cfaColor(cfa, x + dx, y + dy) === 1) {
      list.push([dx, dy, 1]);
      sides++;
    }
  }
  if (sides === 4) return list;
  for (const [dx, dy] of [
    [-1, -1],
    [1, -1],
    [-1, 1],
    [1, 1],
  ] as const) {
    if (cfaColor(cfa, x + dx, y + dy) === 1) list.push([dx, dy, 0.5]);
  }
  return list;
}
