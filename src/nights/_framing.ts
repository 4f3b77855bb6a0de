import { degToRad, type FrameHeader, median, SIDEREAL_RATE } from '../core/index.js';
import type { FrameGlimpse } from './types.js';

/** How the framing of one frame relates to that of an earlier one. */
export interface FramingMatch {
  /** `same`: the peaks or the land match; `different`: they should and do not; `unknown`: nothing to tell by. */
  readonly verdict: 'same' | 'different' | 'unknown';
  /** Where the sky of the earlier frame went, px; present when peaks matched. */
  readonly shift?: { readonly x: number; readonly y: number };
  /** Size of the later picture over the earlier one, from matched peaks; present with at least 8. */
  readonly scale?: number;
  /** Peaks matched. */
  readonly matched: number;
}

export interface FramingTask {
  /** Frame size, px. */
  readonly width: number;
  readonly height: number;
  /** Where the sky should have gone between the two, px; (0, 0) when not known yet. */
  readonly expected: { readonly x: number; readonly y: number };
  /** How far the sky may have moved on its own in the time between the two, px. */
  readonly drift: number;
}

/**
 * How far the sky moves at the celestial equator in a time, px: focal length in px x sidereal rate x time. The
 * focal length is that of the header (35 mm equivalent over 36 mm of width), else a wide lens of 18 mm.
 */
export function skyDrift(header: FrameHeader, seconds: number): number {
  const width = Math.max(header.width ?? 0, header.height ?? 0) || 6000;
  const focalPx = ((header.focalLength35Mm ?? 18) / 36) * width;
  return degToRad(SIDEREAL_RATE / 3600) * focalPx * Math.abs(seconds);
}

/** Peaks in both frames from which on a failed match means another framing. */
const ENOUGH_PEAKS = 12;

/**
 * Compares two framings: a vote of all peak pairs for one common shift, the land in the thumbnails beside it.
 *
 * The sky turns between frames, so peaks need not move alike: the tolerance of the vote grows with the
 * drift to expect, and beyond a few percent of the frame a failed vote proves nothing.
 */
export function compareFraming(earlier: FrameGlimpse, later: FrameGlimpse, task: FramingTask): FramingMatch {
  const vote = voteShift(earlier.peaks, later.peaks, task);
  if (vote) return { verdict: 'same', ...vote };
  const few = Math.min(earlier.peaks.length, later.peaks.length) / 2;
  const land = landLikeness(earlier, later);
  // Where cloud took most of the stars, those left need not be the same ones: a failed vote proves nothing.
  const [fewer, more] = [earlier.starCount, later.starCount].sort((a, b) => a - b) as [number, number];
  const comparable = few >= ENOUGH_PEAKS && fewer >= 0.3 * more && task.drift < 0.04 * task.width;
  if (comparable && !(land > 0.95)) return { verdict: 'different', matched: 0 };
  if (few < ENOUGH_PEAKS && land < 0.3) return { verdict: 'different', matched: 0 };
  if (land > 0.7) return { verdict: 'same', matched: 0 };
  return { verdict: 'unknown', matched: 0 };
}

/** Peak pairs that agree on one shift, or nothing when too few do. */
function voteShift(
  from: Float32Array,
  to: Float32Array,
  task: FramingTask,
): { shift: { x: number; y: number }; scale?: number; matched: number } | undefined {
  const n = from.length / 2;
  const m = to.length / 2;
  const few = Math.min(n, m);
  if (few < 4) return undefined;
  const diagonal = Math.hypot(task.width, task.height);
  const bin = Math.min(0.02 * diagonal, Math.max(8, 0.005 * diagonal, 0.6 * task.drift));
  // Nearly always the sky is where it should be: that is quick to see, and no other shift could do better.
  const expected = nearestPairs(from, to, { ...task.expected, radius: Math.max(bin, task.drift) });
  const pairs = expected.length >= Math.max(6, 0.4 * few) ? expected : voted(from, to, { task, bin, few });
  if (!pairs) return undefined;
  const shift = {
    x: median(pairs.map(([i, j]) => to[2 * j]! - from[2 * i]!)),
    y: median(pairs.map(([i, j]) => to[2 * j + 1]! - from[2 * i + 1]!)),
  };
  const scale = pairs.length >= 8 ? scaleOf(from, to, pairs) : undefined;
  return { shift, matched: pairs.length, ...(scale === undefined ? {} : { scale }) };
}

/**
 * The pairs of the shift with most votes, when they are more than chance gives. A knock of a wide lens moves
 * the corners further than the middle: coarser cells are tried when the fine ones fail.
 */
function voted(
  from: Float32Array,
  to: Float32Array,
  { task, bin, few }: { readonly task: FramingTask; readonly bin: number; readonly few: number },
): [number, number][] | undefined {
  for (const radius of [bin, 2 * bin, 4 * bin]) {
    const best = fullestBin(from, to, radius);
    const nearExpected =
      Math.hypot(best.x - task.expected.x, best.y - task.expected.y) < Math.max(2 * bin, task.drift);
    // Pairs of unrelated peaks in one cell, and a wide margin above them: a far shift has many cells to arise in.
    const chance = ((from.length / 2) * (to.length / 2) * radius ** 2) / (task.width * task.height);
    const needed =
      nearExpected && radius === bin
        ? Math.max(4, 0.15 * few)
        : Math.max(5, 0.25 * few, chance + 5 * Math.sqrt(chance) + 4);
    if (best.votes < needed) continue;
    const pairs = nearestPairs(from, to, { x: best.x, y: best.y, radius });
    if (pairs.length >= needed) return pairs;
  }
  return undefined;
}

/** The fullest cell of a histogram of all pair differences, among four grids offset by half a cell. */
function fullestBin(
  from: Float32Array,
  to: Float32Array,
  bin: number,
): { readonly x: number; readonly y: number; readonly votes: number } {
  let reach = 0;
  for (const value of from) reach = Math.max(reach, value);
  for (const value of to) reach = Math.max(reach, value);
  const side = 2 * Math.ceil(reach / bin) + 4;
  const half = side >> 1;
  let best = { x: 0, y: 0, votes: 0 };
  for (let grid = 0; grid < 4; grid++) {
    const ox = half + (grid & 1) * 0.5;
    const oy = half + (grid >> 1) * 0.5;
    const counts = new Uint16Array(side * side);
    for (let i = 0; i < from.length; i += 2) {
      for (let j = 0; j < to.length; j += 2) {
        const cx = Math.floor((to[j]! - from[i]!) / bin + ox);
        const cy = Math.floor((to[j + 1]! - from[i + 1]!) / bin + oy);
        const votes = ++counts[cy * side + cx]!;
        if (votes < best.votes) continue;
        const x = (cx + 0.5 - ox) * bin;
        const y = (cy + 0.5 - oy) * bin;
        if (votes > best.votes || Math.hypot(x, y) < Math.hypot(best.x, best.y)) best = { x, y, votes };
      }
    }
  }
  return best;
}

/** Pairs (i, j) that agree with the shift, each peak used once, nearest first. */
function nearestPairs(
  from: Float32Array,
  to: Float32Array,
  { x, y, radius }: { readonly x: number; readonly y: number; readonly radius: number },
): [number, number][] {
  const found: [number, number, number][] = [];
  for (let i = 0; i < from.length / 2; i++) {
    for (let j = 0; j < to.length / 2; j++) {
      const distance = Math.hypot(to[2 * j]! - from[2 * i]! - x, to[2 * j + 1]! - from[2 * i + 1]! - y);
      if (distance <= radius) found.push([distance, i, j]);
    }
  }
  found.sort((a, b) => a[0] - b[0] || a[1] - b[1] || a[2] - b[2]);
  const usedFrom = new Set<number>();
  const usedTo = new Set<number>();
  const pairs: [number, number][] = [];
  for (const [, i, j] of found) {
    if (usedFrom.has(i) || usedTo.has(j)) continue;
    usedFrom.add(i);
    usedTo.add(j);
    pairs.push([i, j]);
  }
  return pairs;
}

/**
 * Scale of the best similarity between the paired points.
 * @source closed form of the least-squares similarity in complex numbers: |sum conj(p) q| / sum |p|^2.
 */
function scaleOf(
  from: Float32Array,
  to: Float32Array,
  pairs: readonly [number, number][],
): number | undefined {
  let px = 0;
  let py = 0;
  let qx = 0;
  let qy = 0;
  for (const [i, j] of pairs) {
    px += from[2 * i]! / pairs.length;
    py += from[2 * i + 1]! / pairs.length;
    qx += to[2 * j]! / pairs.length;
    qy += to[2 * j + 1]! / pairs.length;
  }
  let re = 0;
  let im = 0;
  let norm = 0;
  for (const [i, j] of pairs) {
    const ax = from[2 * i]! - px;
    const ay = from[2 * i + 1]! - py;
    const bx = to[2 * j]! - qx;
    const by = to[2 * j + 1]! - qy;
    re += ax * bx + ay * by;
    im += ax * by - ay * bx;
    norm += ax * ax + ay * ay;
  }
  return norm > 0 ? Math.hypot(re, im) / norm : undefined;
}

/**
 * Correlation of two thumbnails, -1..1, falloff towards the corners taken off and their outer twelfth left
 * out (the glow of an amplifier sits there); NaN when they differ in size or one has no structure.
 */
export function landLikeness(a: FrameGlimpse, b: FrameGlimpse): number {
  if (a.thumbnail.width !== b.thumbnail.width || a.thumbnail.height !== b.thumbnail.height) return Number.NaN;
  const pa = relief(a.thumbnail);
  const pb = relief(b.thumbnail);
  if (!pa || !pb) return Number.NaN;
  let sum = 0;
  for (let i = 0; i < pa.length; i++) sum += pa[i]! * pb[i]!;
  return sum;
}

/** Level added before the logarithm, fraction of white: more than the glow and banding of a capped sensor. */
const LOG_FLOOR = 3e-3;
/** A thumbnail has structure when its logarithmic levels scatter by this much. */
const LEAST_STRUCTURE = 0.08;

const reliefs = new WeakMap<object, { readonly relief: Float32Array | undefined }>();

/** Logarithmic levels less their mean and their trend with the squared radius, scaled to unit length; remembered. */
function relief(thumbnail: FrameGlimpse['thumbnail']): Float32Array | undefined {
  const known = reliefs.get(thumbnail);
  if (known) return known.relief;
  const made = makeRelief(thumbnail);
  reliefs.set(thumbnail, { relief: made });
  return made;
}

function makeRelief({ width, height, data }: FrameGlimpse['thumbnail']): Float32Array | undefined {
  const marginX = Math.max(1, Math.round(width / 12));
  const marginY = Math.max(1, Math.round(height / 12));
  const levels: number[] = [];
  const radii: number[] = [];
  for (let y = marginY; y < height - marginY; y++) {
    for (let x = marginX; x < width - marginX; x++) {
      // Logarithms, so that a lamp in the land does not outweigh the shape of the hills.
      levels.push(Math.log(Math.max(data[y * width + x]!, 0) + LOG_FLOOR));
      radii.push((x - (width - 1) / 2) ** 2 + (y - (height - 1) / 2) ** 2);
    }
  }
  const n = levels.length;
  if (n < 30) return undefined;
  const meanLevel = levels.reduce((sum, value) => sum + value, 0) / n;
  const meanRadius = radii.reduce((sum, value) => sum + value, 0) / n;
  let cross = 0;
  let spread = 0;
  for (let i = 0; i < n; i++) {
    cross += (levels[i]! - meanLevel) * (radii[i]! - meanRadius);
    spread += (radii[i]! - meanRadius) ** 2;
  }
  // Only a fall towards the corners is the lens's; a rise would be the land's.
  const slope = Math.min(0, cross / spread);
  const left = Float32Array.from(levels, (value, i) => value - meanLevel - slope * (radii[i]! - meanRadius));
  let norm = 0;
  for (const value of left) norm += value * value;
  if (!(norm / n > LEAST_STRUCTURE ** 2)) return undefined;
  const scale = 1 / Math.sqrt(norm);
  for (let i = 0; i < n; i++) left[i]! *= scale;
  return left;
}
