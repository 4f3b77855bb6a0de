import type { FramePixels } from '../core/index.js';
import type { BinnedFrame } from './_binned.js';
import { aboveSurroundings, excessWindow, levelAt, type PixelWindow } from './_pixel-window.js';

/** A star-like peak of the quick look. */
export interface Peak {
  /** Centroid, px of the full frame. */
  readonly x: number;
  readonly y: number;
  /** Light above the background near the peak, fraction of white times pixels. */
  readonly flux: number;
}

const CELLS_ACROSS = 6;
const CELLS_DOWN = 4;
const PEAKS_PER_CELL = 40;
/** Candidates looked at in full in a cell, so that a noisy frame stays cheap. */
const LOOKS_PER_CELL = 120;

/** A local maximum of the binned picture. */
interface Candidate {
  readonly x: number;
  readonly y: number;
  readonly excess: number;
}

/**
 * Finds compact peaks in the background-free binned picture and keeps those whose light reaches into the
 * touching pixels of the full frame: a sensor defect is one pixel, a star on the sharpest lens still wets
 * its neighbours. At most 40 peaks are taken in each of 6 x 4 cells.
 */
export function findPeaks(
  pixels: FramePixels,
  frame: BinnedFrame,
  picture: { readonly residual: Float32Array; readonly threshold: number },
): Peak[] {
  const peaks: Peak[] = [];
  for (const cell of candidates(frame, picture)) {
    let found = 0;
    let looked = 0;
    for (const candidate of cell) {
      if (found >= PEAKS_PER_CELL || looked >= LOOKS_PER_CELL) break;
      const spot = brightestIn(pixels, frame, candidate);
      if (isLonePixel(pixels, spot)) continue;
      looked++;
      const peak = lookCloser(pixels, spot, Math.max(10, 2 * frame.block));
      if (!peak) continue;
      peaks.push(peak);
      found++;
    }
  }
  return peaks.sort((a, b) => b.flux - a.flux || a.y - b.y || a.x - b.x);
}

/** Up to `limit` peaks spread over the frame (the best few of each cell first), brightest first. */
export function spreadPeaks(
  peaks: readonly Peak[],
  frame: { readonly width: number; readonly height: number },
  limit: number,
): Peak[] {
  const perCell = Math.ceil(limit / (CELLS_ACROSS * CELLS_DOWN));
  const taken = new Map<number, number>();
  const first: Peak[] = [];
  const rest: Peak[] = [];
  for (const peak of peaks) {
    const cell = cellOf(peak.x / frame.width, peak.y / frame.height);
    const n = taken.get(cell) ?? 0;
    if (n < perCell) first.push(peak);
    else rest.push(peak);
    taken.set(cell, n + 1);
  }
  const byFlux = (a: Peak, b: Peak) => b.flux - a.flux || a.y - b.y || a.x - b.x;
  return [...first.sort(byFlux), ...rest].slice(0, limit).sort(byFlux);
}

function cellOf(u: number, v: number): number {
  const cx = Math.min(CELLS_ACROSS - 1, Math.max(0, Math.floor(u * CELLS_ACROSS)));
  const cy = Math.min(CELLS_DOWN - 1, Math.max(0, Math.floor(v * CELLS_DOWN)));
  return cy * CELLS_ACROSS + cx;
}

function candidates(
  frame: BinnedFrame,
  { residual, threshold }: { readonly residual: Float32Array; readonly threshold: number },
): Candidate[][] {
  const { width, height } = frame;
  const cells: Candidate[][] = Array.from({ length: CELLS_ACROSS * CELLS_DOWN }, () => []);
  for (let y = 3; y < height - 3; y++) {
    for (let x = 3; x < width - 3; x++) {
      const at = y * width + x;
      const excess = residual[at]!;
      if (excess < threshold) continue;
      if (!isCompactMaximum(residual, at, width)) continue;
      cells[cellOf(x / width, y / height)]!.push({ x, y, excess });
    }
  }
  return cells.map((cell) => cell.sort((a, b) => b.excess - a.excess || a.y - b.y || a.x - b.x));
}

/** Higher than its eight neighbours, and fallen below half three pixels away on at least seven of eight sides. */
function isCompactMaximum(data: Float32Array, at: number, width: number): boolean {
  const value = data[at]!;
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      if (dx === 0 && dy === 0) continue;
      const other = data[at + dy * width + dx]!;
      // Of two equal neighbours the later one in reading order wins, so that exactly one is a maximum.
      if (other > value || (other === value && (dy > 0 || (dy === 0 && dx > 0)))) return false;
    }
  }
  let low = 0;
  for (let dy = -3; dy <= 3; dy += 3)
    for (let dx = -3; dx <= 3; dx += 3)
      if ((dx !== 0 || dy !== 0) && data[at + dy * width + dx]! < value / 2) low++;
  return low >= 7;
}

/**
 * Light in the four touching pixels as a share of the brightest pixel. Pixel-integrated Gaussians reach
 * 0.45 at a FWHM of 1.0 px and 1.2 at 1.5 px; a single hot pixel gives noise only.
 */
const LEAST_SUPPORT = 0.4;
/** The brightest pixel stands this many sigma of single pixels above its window. */
const PEAK_NOISE = 4;

/** One pixel of the full frame. */
interface Spot {
  readonly x: number;
  readonly y: number;
}

/** The brightest pixel of the candidate's block and the pixels next to it. */
function brightestIn(pixels: FramePixels, { block }: BinnedFrame, candidate: Candidate): Spot {
  let best = { x: candidate.x * block, y: candidate.y * block };
  let highest = Number.NEGATIVE_INFINITY;
  for (let y = candidate.y * block - 1; y <= (candidate.y + 1) * block; y++) {
    for (let x = candidate.x * block - 1; x <= (candidate.x + 1) * block; x++) {
      const level = levelAt(pixels, x, y);
      if (level > highest) {
        highest = level;
        best = { x, y };
      }
    }
  }
  return best;
}

/** A quick test that most hot pixels fail: hardly any light in the four touching pixels. */
function isLonePixel(pixels: FramePixels, { x, y }: Spot): boolean {
  const top = aboveSurroundings(pixels, x, y);
  const touching =
    aboveSurroundings(pixels, x - 1, y) +
    aboveSurroundings(pixels, x + 1, y) +
    aboveSurroundings(pixels, x, y - 1) +
    aboveSurroundings(pixels, x, y + 1);
  return touching < 0.5 * LEAST_SUPPORT * top;
}

/** Holds a bright pixel against the noise of its surroundings and its light against that of its neighbours. */
function lookCloser(pixels: FramePixels, spot: Spot, reach: number): Peak | undefined {
  const window = excessWindow(pixels, { cx: spot.x, cy: spot.y, radius: reach });
  const { size, excess, noise } = window;
  const middle = reach * size + reach;
  const top = excess[middle]!;
  if (!(top > PEAK_NOISE * noise)) return undefined;
  const floor = Math.max(0.1 * top, 2 * noise);
  let touching = 0;
  let wet = 0;
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      if (dx === 0 && dy === 0) continue;
      const value = excess[middle + dy * size + dx]!;
      if (dx === 0 || dy === 0) touching += value;
      if (value > floor) wet++;
    }
  }
  // The sum of four pixels has twice the noise of one; three times that is no chance.
  if (touching < Math.max(LEAST_SUPPORT * top, 6 * noise) || wet < 3) return undefined;
  return centroid(window, { bx: reach, by: reach, left: spot.x - reach, top: spot.y - reach });
}

function centroid(
  window: PixelWindow,
  at: { readonly bx: number; readonly by: number; readonly left: number; readonly top: number },
): Peak {
  let sum = 0;
  let sx = 0;
  let sy = 0;
  for (let dy = -2; dy <= 2; dy++) {
    for (let dx = -2; dx <= 2; dx++) {
      const x = at.bx + dx;
      const y = at.by + dy;
      if (x < 0 || y < 0 || x >= window.size || y >= window.size) continue;
      const value = window.excess[y * window.size + x]!;
      if (value <= 0) continue;
      sum += value;
      sx += value * x;
      sy += value * y;
    }
  }
  return { x: at.left + sx / sum, y: at.top + sy / sum, flux: sum };
}
