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
const CANDIDATES_PER_CELL = 40;

/** A local maximum of the binned picture. */
interface Candidate {
  readonly x: number;
  readonly y: number;
  readonly excess: number;
}

/**
 * Finds compact peaks in the background-free binned picture and keeps those whose light reaches into the
 * touching pixels of the full frame: a sensor defect is one pixel, a star on the sharpest lens still wets
 * its neighbours. At most 40 peaks in each of 6 x 4 cells are looked at.
 */
export function findPeaks(
  pixels: FramePixels,
  frame: BinnedFrame,
  picture: { readonly residual: Float32Array; readonly threshold: number },
): Peak[] {
  const peaks: Peak[] = [];
  for (const cell of candidates(frame, picture)) {
    for (const candidate of cell) {
      const peak = lookCloser(pixels, frame, candidate);
      if (peak) peaks.push(peak);
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
  return cells.map((cell) =>
    cell.sort((a, b) => b.excess - a.excess || a.y - b.y || a.x - b.x).slice(0, CANDIDATES_PER_CELL),
  );
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

function lookCloser(pixels: FramePixels, frame: BinnedFrame, candidate: Candidate): Peak | undefined {
  const { block } = frame;
  const reach = Math.max(6, block);
  const cx = candidate.x * block + (block >> 1);
  const cy = candidate.y * block + (block >> 1);
  const window = excessWindow(pixels, { cx, cy, radius: reach });
  const { size, excess, noise } = window;
  // The brightest pixel within the block (and one around it).
  let best = -1;
  const near = Math.ceil(block / 2) + 1;
  for (let dy = -near; dy <= near; dy++) {
    for (let dx = -near; dx <= near; dx++) {
      const at = (reach + dy) * size + reach + dx;
      if (excess[at] !== undefined && (best < 0 || excess[at]! > excess[best]!)) best = at;
    }
  }
  const bx = best % size;
  const by = (best - bx) / size;
  if (best < 0 || bx < 1 || by < 1 || bx >= size - 1 || by >= size - 1) return undefined;
  const top = excess[best]!;
  if (!(top > PEAK_NOISE * noise)) return undefined;
  const floor = Math.max(0.1 * top, 2 * noise);
  let touching = 0;
  let wet = 0;
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      if (dx === 0 && dy === 0) continue;
      const value = excess[best + dy * size + dx]!;
      if (dx === 0 || dy === 0) touching += value;
      if (value > floor) wet++;
    }
  }
  // The sum of four pixels has twice the noise of one; three times that is no chance.
  if (touching < Math.max(LEAST_SUPPORT * top, 6 * noise) || wet < 3) return undefined;
  return centroid(window, { bx, by, left: cx - reach, top: cy - reach });
}

interface Window {
  readonly size: number;
  /** Above the window's own median of the same colour, fraction of white. */
  readonly excess: Float32Array;
  /** Scatter of the window's pixels, fraction of white. */
  readonly noise: number;
}

/** Pixels around a place as excess over the median of their own colour; planes of a colour frame are averaged. */
function excessWindow(
  pixels: FramePixels,
  place: { readonly cx: number; readonly cy: number; readonly radius: number },
): Window {
  const { width, height } = pixels;
  const size = 2 * place.radius + 1;
  const excess = new Float32Array(size * size);
  const colors = new Uint8Array(size * size);
  const byColor: number[][] = [[], [], []];
  for (let j = 0; j < size; j++) {
    const y = Math.min(height - 1, Math.max(0, place.cy - place.radius + j));
    for (let i = 0; i < size; i++) {
      const x = Math.min(width - 1, Math.max(0, place.cx - place.radius + i));
      const at = y * width + x;
      let value: number;
      let color = 1;
      if (pixels.kind === 'color') {
        const plane = width * height;
        value =
          (pixels.data[at]! / pixels.whiteLevel[0] +
            pixels.data[plane + at]! / pixels.whiteLevel[1] +
            pixels.data[2 * plane + at]! / pixels.whiteLevel[2]) /
          3;
      } else {
        color = pixels.cfa ? cfaColor(pixels.cfa, x, y) : 1;
        value = pixels.data[at]! / pixels.whiteLevel[color as 0 | 1 | 2];
      }
      excess[j * size + i] = value;
      colors[j * size + i] = color;
      byColor[color]!.push(value);
    }
  }
  const centers = byColor.map((values) => median(values));
  for (let k = 0; k < excess.length; k++) excess[k]! -= centers[colors[k]!]!;
  const step = pixels.quantization / Math.min(...pixels.whiteLevel);
  return { size, excess, noise: Math.max(upperSpread(excess), step) };
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
