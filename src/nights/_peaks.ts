import { cfaColor, type FramePixels, median, quantile } from '../core/index.js';
import type { BinnedFrame } from './_binned.js';

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

/** Level of a pixel, fraction of white; the planes of a colour frame are averaged. Places outside are read at the edge. */
function levelAt(pixels: FramePixels, px: number, py: number): number {
  const { width, height, data, whiteLevel } = pixels;
  const x = px < 0 ? 0 : px >= width ? width - 1 : px;
  const y = py < 0 ? 0 : py >= height ? height - 1 : py;
  const at = y * width + x;
  if (pixels.kind !== 'color') return data[at]! / whiteLevel[pixels.cfa ? cfaColor(pixels.cfa, x, y) : 1];
  const plane = width * height;
  return (
    (data[at]! / whiteLevel[0] + data[plane + at]! / whiteLevel[1] + data[2 * plane + at]! / whiteLevel[2]) /
    3
  );
}

/** Level of a pixel above the lowest of its own colour twelve pixels to each side (whole repeats of any pattern). */
function aboveSurroundings(pixels: FramePixels, x: number, y: number): number {
  const step = 12;
  const lowest = Math.min(
    levelAt(pixels, x - step, y),
    levelAt(pixels, x + step, y),
    levelAt(pixels, x, y - step),
    levelAt(pixels, x, y + step),
  );
  return levelAt(pixels, x, y) - lowest;
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

interface Window {
  readonly size: number;
  /** Above the outer ring's median of the same colour, fraction of white. */
  readonly excess: Float32Array;
  /** Scatter of the outer ring's pixels, fraction of white. */
  readonly noise: number;
}

/**
 * Pixels around a place as excess over the median of their own colour in the outer ring of the window, where a
 * star of any focus has ended.
 */
function excessWindow(
  pixels: FramePixels,
  place: { readonly cx: number; readonly cy: number; readonly radius: number },
): Window {
  const { radius } = place;
  const size = 2 * radius + 1;
  const excess = new Float32Array(size * size);
  const colors = new Uint8Array(size * size);
  const ring: number[] = [];
  const byColor: number[][] = [[], [], []];
  const inner = 0.65 * radius;
  for (let j = 0; j < size; j++) {
    const y = Math.min(pixels.height - 1, Math.max(0, place.cy - radius + j));
    for (let i = 0; i < size; i++) {
      const x = Math.min(pixels.width - 1, Math.max(0, place.cx - radius + i));
      const at = j * size + i;
      const value = levelAt(pixels, x, y);
      const color = pixels.cfa ? cfaColor(pixels.cfa, x, y) : 1;
      excess[at] = value;
      colors[at] = color;
      if (Math.abs(i - radius) < inner && Math.abs(j - radius) < inner) continue;
      ring.push(at);
      byColor[color]!.push(value);
    }
  }
  const centers = byColor.map((values) => median(values));
  for (let k = 0; k < excess.length; k++) excess[k]! -= centers[colors[k]!]!;
  const step = pixels.quantization / Math.min(...pixels.whiteLevel);
  const spread = upperSpread(Float32Array.from(ring, (at) => excess[at]!));
  return { size, excess, noise: Math.max(spread, step) };
}

/**
 * Sigma as the upper side of the values tells it, (90th percentile - median) / 1.2816, since levels clipped
 * at black have no lower side. @source Phi^-1(0.9) of the normal distribution.
 */
export function upperSpread(values: Float32Array): number {
  return (quantile(values, 0.9) - median(values)) / 1.281_552;
}

function centroid(
  window: Window,
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

/**
 * Median half-light diameter of the brightest peaks, px: light above the window's median summed outwards
 * in rings until half of it is inside. Undefined when fewer than three peaks allow it.
 */
export function halfLightDiameter(pixels: FramePixels, peaks: readonly Peak[]): number | undefined {
  const diameters: number[] = [];
  const radius = 14;
  for (const peak of peaks.slice(0, 30)) {
    const cx = Math.round(peak.x);
    const cy = Math.round(peak.y);
    const { size, excess, noise } = excessWindow(pixels, { cx, cy, radius });
    const rings = new Float64Array(radius + 1);
    const areas = new Float64Array(radius + 1);
    let outside = 0;
    let outsideArea = 0;
    for (let j = 0; j < size; j++) {
      for (let i = 0; i < size; i++) {
        const distance = Math.hypot(cx - radius + i - peak.x, cy - radius + j - peak.y);
        const value = excess[j * size + i]!;
        if (distance <= radius - 3) {
          rings[Math.floor(distance)]! += value;
          areas[Math.floor(distance)]! += 1;
        } else if (value < 4 * noise) {
          outside += value;
          outsideArea++;
        }
      }
    }
    // Noise cut off at black has a mean above its median: the surroundings' mean is the level to measure from.
    const level = outsideArea > 0 ? outside / outsideArea : 0;
    for (let r = 0; r < rings.length; r++) rings[r]! -= level * areas[r]!;
    let total = 0;
    for (const ring of rings) total += ring;
    if (!(total > 0)) continue;
    let inside = 0;
    for (let r = 0; r < rings.length; r++) {
      const next = inside + rings[r]!;
      if (next >= total / 2) {
        diameters.push(2 * (r + (total / 2 - inside) / (rings[r]! || 1)));
        break;
      }
      inside = next;
    }
  }
  return diameters.length >= 3 ? median(diameters) : undefined;
}
