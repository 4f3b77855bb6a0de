import { type ColorImage, type Mask, madSigma, median, type Plane } from '../core/index.js';
import { distanceTo, STEPS_PER_PX } from './_distance.js';

/** How the land's edge is found; px unless said. */
export interface LandMaskOptions {
  /** How far the first mask's edge may be off; default 24. */
  readonly band?: number;
  /** Half-width of the soft edge; default 1.5. */
  readonly feather?: number;
}

/** The land's edge, found. */
export interface LandMask {
  /** 1 = land. */
  readonly mask: Mask;
  /** Share of land, 0 = sky, 1 = land, soft edge. */
  readonly share: Plane;
}

/** Side of the cells in which sky and land levels are compared, px. */
const CELL = 32;
/** Contrast, in units of the picture's noise, that makes an edge. */
const CONTRAST = 4;
/** Land this much darker than the sky beside it may be followed out of the band: poles and tree tops. */
const SILHOUETTE = 0.3;

/**
 * Refines the first land mask on the unmoved stack, where the land is sharp and the stars are clipped away:
 * within a band about the first edge a pixel belongs to whichever of the sky and the land near it it
 * resembles more; darker silhouettes that stand up out of the land are followed beyond the band; where sky
 * and land are alike the first mask stays.
 *
 * @param first 1 = land
 * @param land the stack without alignment, on the same grid
 */
export function refineLandMask(first: Mask, land: ColorImage, options: LandMaskOptions = {}): LandMask {
  const { width, height } = first;
  const { band = 24, feather = 1.5 } = options;
  if (!first.data.some((value) => value !== 0)) return softEdge(first, feather);
  const gray = smoothGreen(land);
  const toEdge = edgeDistance(first);
  const levels = cellLevels(first, gray, toEdge, band);
  const noise = pixelNoise(gray, width, height);
  const refined = classify(first, gray, { toEdge, levels, noise, band });
  growSilhouettes(refined, gray, levels);
  settle(refined, toEdge, band);
  return softEdge(refined, feather);
}

/** Distance to the nearest pixel of the other kind, thirds of a px. */
function edgeDistance(mask: Mask): Uint16Array {
  const { width, height, data } = mask;
  const toLand = distanceTo(width, height, (at) => data[at] !== 0);
  const toSky = distanceTo(width, height, (at) => data[at] === 0);
  for (let at = 0; at < data.length; at++) if (data[at]) toLand[at] = toSky[at]!;
  return toLand;
}

/** Green, averaged over 3 x 3 px; NaN is left out. */
function smoothGreen(image: ColorImage): Float32Array {
  const { width, height } = image;
  const green = image.data.subarray(width * height, 2 * width * height);
  const smooth = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      let sum = 0;
      let n = 0;
      for (let j = Math.max(0, y - 1); j <= Math.min(height - 1, y + 1); j++) {
        for (let i = Math.max(0, x - 1); i <= Math.min(width - 1, x + 1); i++) {
          const value = green[j * width + i]!;
          if (Number.isNaN(value)) continue;
          sum += value;
          n++;
        }
      }
      smooth[y * width + x] = sum / n;
    }
  }
  return smooth;
}

interface Levels {
  readonly columns: number;
  readonly rows: number;
  readonly sky: Float32Array;
  readonly land: Float32Array;
}

/** Median sky and land in each cell and its neighbours, a little away from the edge; NaN where there is none. */
function cellLevels(mask: Mask, gray: Float32Array, toEdge: Uint16Array, band: number): Levels {
  const { width, height } = mask;
  const columns = Math.ceil(width / CELL);
  const rows = Math.ceil(height / CELL);
  const [near, far] = [(STEPS_PER_PX * band) / 3, STEPS_PER_PX * 4 * band];
  const bins = [0, 1].map(() => Array.from({ length: columns * rows }, () => [] as number[]));
  for (let y = 0; y < height; y += 2) {
    for (let x = 0; x < width; x += 2) {
      const at = y * width + x;
      const value = gray[at]!;
      // Close to the edge the first mask may be wrong, far from it the level may be another.
      if (Number.isNaN(value) || toEdge[at]! < near || toEdge[at]! > far) continue;
      bins[mask.data[at] ? 1 : 0]![Math.floor(y / CELL) * columns + Math.floor(x / CELL)]!.push(value);
    }
  }
  const around = (kind: 0 | 1): Float32Array =>
    Float32Array.from({ length: columns * rows }, (_, cell) => {
      const [cx, cy] = [cell % columns, Math.floor(cell / columns)];
      for (let reach = 1; reach <= 4; reach++) {
        const values: number[] = [];
        for (let j = Math.max(0, cy - reach); j <= Math.min(rows - 1, cy + reach); j++) {
          for (let i = Math.max(0, cx - reach); i <= Math.min(columns - 1, cx + reach); i++) {
            values.push(...bins[kind]![j * columns + i]!);
          }
        }
        if (values.length >= 60) return median(values);
      }
      return Number.NaN;
    });
  return { columns, rows, sky: around(0), land: around(1) };
}

function cellOf(levels: Levels, x: number, y: number): number {
  return Math.floor(y / CELL) * levels.columns + Math.floor(x / CELL);
}

/** 1-sigma noise of the smoothed picture, from differences of pixels three apart. */
function pixelNoise(gray: Float32Array, width: number, height: number): number {
  const differences: number[] = [];
  for (let y = 0; y < height; y += 3) {
    for (let x = 3; x < width; x += 7) differences.push(gray[y * width + x]! - gray[y * width + x - 3]!);
  }
  return madSigma(differences) / Math.SQRT2;
}

function classify(
  first: Mask,
  gray: Float32Array,
  by: { toEdge: Uint16Array; levels: Levels; noise: number; band: number },
): Mask {
  const { width, height } = first;
  const data = first.data.slice();
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const at = y * width + x;
      if (by.toEdge[at]! > STEPS_PER_PX * by.band || Number.isNaN(gray[at]!)) continue;
      const cell = cellOf(by.levels, x, y);
      const sky = by.levels.sky[cell]!;
      const land = by.levels.land[cell]!;
      if (!(Math.abs(sky - land) > CONTRAST * by.noise)) continue;
      const middle = (sky + land) / 2;
      data[at] = gray[at]! < middle === land < middle ? 1 : 0;
    }
  }
  return { width, height, data };
}

/** Follows silhouettes clearly darker than the sky from the land outwards, in place. */
function growSilhouettes(mask: Mask, gray: Float32Array, levels: Levels): void {
  const { width, data } = mask;
  const dark = (at: number): boolean => {
    const cell = cellOf(levels, at % width, Math.floor(at / width));
    const sky = levels.sky[cell]!;
    const land = levels.land[cell]!;
    return sky - land > SILHOUETTE * sky && gray[at]! < (sky + land) / 2;
  };
  const open: number[] = [];
  // Land inside land cannot grow: only its outline is looked at.
  for (let at = 0; at < data.length; at++) {
    const onEdge = at % width === 0 || at % width === width - 1 || at < width || at >= data.length - width;
    const inner = !onEdge && data[at - 1] && data[at + 1] && data[at - width] && data[at + width];
    if (data[at] && !inner) open.push(at);
  }
  while (open.length > 0) {
    const at = open.pop()!;
    const x = at % width;
    const next = [x > 0 ? at - 1 : -1, x < width - 1 ? at + 1 : -1, at - width, at + width];
    for (const other of next) {
      if (other < 0 || other >= data.length || data[other] || !dark(other)) continue;
      data[other] = 1;
      open.push(other);
    }
  }
}

/** Drops specks: land with fewer than 2 land neighbours of 8, sky with more than 5. */
function settle(mask: Mask, toEdge: Uint16Array, band: number): void {
  const { width, height, data } = mask;
  const before = data.slice();
  for (let y = 1; y < height - 1; y++) {
    for (let x = 1; x < width - 1; x++) {
      const at = y * width + x;
      if (toEdge[at]! > STEPS_PER_PX * band) continue;
      let land = 0;
      for (let j = -1; j <= 1; j++) {
        for (let i = -1; i <= 1; i++) if (i !== 0 || j !== 0) land += before[at + j * width + i]! ? 1 : 0;
      }
      if (before[at] && land < 2) data[at] = 0;
      else if (!before[at] && land > 5) data[at] = 1;
    }
  }
}

/** Mean over a running window along rows or columns; the picture goes on beyond its edge as it is there. */
function boxBlur(
  source: Float32Array,
  width: number,
  height: number,
  half: number,
  along: 'x' | 'y',
): Float32Array {
  const out = new Float32Array(source.length);
  const lines = along === 'x' ? height : width;
  const length = along === 'x' ? width : height;
  const step = along === 'x' ? 1 : width;
  for (let line = 0; line < lines; line++) {
    const start = along === 'x' ? line * width : line;
    for (let k = 0; k < length; k++) {
      let sum = 0;
      for (let i = k - half; i <= k + half; i++) {
        sum += source[start + Math.max(0, Math.min(length - 1, i)) * step]!;
      }
      out[start + k * step] = sum / (2 * half + 1);
    }
  }
  return out;
}

/** Gives a mask a soft edge of about `feather` px on either side; 0 leaves it hard. */
export function softEdge(mask: Mask, feather: number): LandMask {
  const { width, height } = mask;
  let data: Float32Array = new Float32Array(mask.data.length);
  for (let i = 0; i < data.length; i++) data[i] = mask.data[i] ? 1 : 0;
  const half = Math.round(feather / 2 + 0.25);
  if (half > 0) {
    // Two box means make a tent, which has no corner that the eye finds.
    for (let round = 0; round < 2; round++) {
      data = boxBlur(boxBlur(data, width, height, half, 'x'), width, height, half, 'y');
    }
  }
  return { mask, share: { width, height, data } };
}

/** Adds everything within `distance` px of the land, for keeping land out of the sky stack. */
export function growMask(mask: Mask, distance: number): Mask {
  const { width, height } = mask;
  const far = distanceTo(width, height, (at) => mask.data[at] !== 0);
  const limit = STEPS_PER_PX * distance;
  const data = new Uint8Array(far.length);
  for (let i = 0; i < data.length; i++) data[i] = far[i]! <= limit ? 1 : 0;
  return { width, height, data };
}

/**
 * Takes a photographer's own mask picture (white = land, soft edges welcome) to the size of the frames.
 *
 * @param picture values from 0 to `white`
 */
export function shareFromPicture(
  picture: Plane,
  size: { readonly width: number; readonly height: number },
  white = 1,
): LandMask {
  const { width, height } = size;
  const data = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    const v = Math.max(0, Math.min(picture.height - 1, ((y + 0.5) * picture.height) / height - 0.5));
    const j = Math.min(Math.floor(v), Math.max(0, picture.height - 2));
    for (let x = 0; x < width; x++) {
      const u = Math.max(0, Math.min(picture.width - 1, ((x + 0.5) * picture.width) / width - 0.5));
      const i = Math.min(Math.floor(u), Math.max(0, picture.width - 2));
      const at = (di: number, dj: number): number =>
        picture.data[
          Math.min(j + dj, picture.height - 1) * picture.width + Math.min(i + di, picture.width - 1)
        ]!;
      const top = at(0, 0) + (at(1, 0) - at(0, 0)) * (u - i);
      const bottom = at(0, 1) + (at(1, 1) - at(0, 1)) * (u - i);
      data[y * width + x] = Math.max(0, Math.min(1, (top + (bottom - top) * (v - j)) / white));
    }
  }
  const mask = { width, height, data: new Uint8Array(data.length) };
  for (let i = 0; i < data.length; i++) mask.data[i] = data[i]! >= 0.5 ? 1 : 0;
  return { mask, share: { width, height, data } };
}
