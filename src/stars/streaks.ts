import { type Mask, median, type Plane, type StarTable } from '../core/index.js';
import { type FilteredMap, filterPlane } from './_filter.js';
import type { BackgroundMesh, Streak } from './types.js';

export interface StreakOptions {
  readonly mesh: BackgroundMesh;
  readonly mask?: Mask | undefined;
  /** The frame's own stars: what is no longer than their trails is no streak. */
  readonly stars: StarTable;
  /** The plane less its background, lightly smoothed, where the caller has it already. */
  readonly filtered?: FilteredMap;
}

/** A binned plane in units of its own noise; masked = 0. */
interface Binned {
  readonly width: number;
  readonly height: number;
  readonly bin: number;
  readonly data: Float32Array;
}

/** Shortest streak, px: below it two touching stars look the same. */
const SHORTEST = 40;
/** Widest streak, px and as a share of its length: beyond it, it is an edge of land or cloud. */
const WIDEST = 25;
const WIDEST_SHARE = 0.2;
/** Share of a streak's length that must shine; an aircraft's dashes leave gaps. */
const LEAST_LIT = 0.5;
/** Longest dark stretch within one streak, px: an aircraft between two flashes. */
const LONGEST_GAP = 150;
/** A shorter line must shine nearly all along: chains of stars in a crowd do not. */
const LONG = 250;
const STRETCH = 5;
const LEAST_LIT_SHORT = 0.85;
/** Threshold of a binned pixel that may belong to a streak, sigma. */
const PIXEL_SIGMA = 3;
/** A piece is a line when its length is this many times its width. */
const MIN_RATIO = 4;

/**
 * Finds straight lines of light much longer than the frame's own trails: aircraft, satellites, meteors.
 * Bright binned pixels are joined into pieces; long thin pieces are lines, and pieces in one line are one.
 *
 * @param plane f32[height*width], ADU. Not modified.
 * @returns brightest first; ends and width in px of the plane, brightness in ADU above background
 */
export function findStreaks(plane: Plane, options: StreakOptions): Streak[] {
  const binned = binPlane(plane, options);
  if (!binned) return [];
  const trail = trailOf(options.stars);
  const shortest = Math.max(SHORTEST, 4 * trail) / binned.bin;
  const lines = piecesOf(binned, shortest);
  const joined = joinLines(lines, LONGEST_GAP / binned.bin);
  const streaks = joined
    .filter((line) => line.length >= shortest)
    .slice(0, 20)
    .map((line) => refine(plane, options, line, binned.bin))
    .filter((streak) => streak !== undefined);
  return streaks.sort((a, b) => b.brightness - a.brightness);
}

/** How long the frame's own stars are, px: what a streak must exceed. */
function trailOf(stars: StarTable): number {
  const lengths: number[] = [];
  for (let i = 0; i < stars.count; i++) {
    if (stars.flags[i] === 0) lengths.push(stars.trailLength[i]! + stars.fwhmMinor[i]!);
  }
  return lengths.length > 0 ? median(lengths) : 5;
}

function binPlane(plane: Plane, options: StreakOptions): Binned | undefined {
  const { width, height } = plane;
  const bin = Math.max(2, Math.ceil(Math.max(width, height) / 1500));
  const bw = Math.floor(width / bin);
  const bh = Math.floor(height / bin);
  if (bw < 16 || bh < 16) return undefined;
  const { data } =
    options.filtered ?? filterPlane(plane, { mesh: options.mesh, mask: options.mask, sigma: 1.3 });
  const out = new Float32Array(bw * bh);
  for (let y = 0; y < bh * bin; y++) {
    const at = Math.floor(y / bin) * bw;
    let i = y * width;
    for (let x = 0; x < bw; x++) {
      let sum = 0;
      for (let k = 0; k < bin; k++) sum += data[i++]!;
      out[at + x]! += sum;
    }
  }
  const sample: number[] = [];
  for (let i = 0; i < out.length; i += 7) if (out[i] !== 0) sample.push(Math.abs(out[i]!));
  const noise = 1.4826 * median(sample);
  if (!(noise > 0)) return undefined;
  for (let i = 0; i < out.length; i++) out[i]! /= noise;
  return { width: bw, height: bh, bin, data: out };
}

interface Line {
  x1: number;
  y1: number;
  x2: number;
  y2: number;
  length: number;
  mass: number;
  angle: number;
}

/** Connected bright pixels whose shape is long and thin. */
function piecesOf(binned: Binned, shortest: number): Line[] {
  const { width, height, data } = binned;
  const seen = new Uint8Array(width * height);
  const stack: number[] = [];
  const lines: Line[] = [];
  for (let start = 0; start < data.length; start++) {
    if (seen[start] !== 0 || !(data[start]! > PIXEL_SIGMA)) continue;
    const members: number[] = [];
    stack.push(start);
    seen[start] = 1;
    while (stack.length > 0) {
      const i = stack.pop()!;
      members.push(i);
      const x = i % width;
      const y = (i - x) / width;
      for (let dy = -1; dy <= 1; dy++) {
        for (let dx = -1; dx <= 1; dx++) {
          const px = x + dx;
          const py = y + dy;
          if (px < 0 || py < 0 || px >= width || py >= height) continue;
          const j = py * width + px;
          if (seen[j] === 0 && data[j]! > PIXEL_SIGMA) {
            seen[j] = 1;
            stack.push(j);
          }
        }
      }
    }
    if (members.length < 6) continue;
    const line = lineOf(members, width, data);
    if (line && line.length >= shortest / 2.5) lines.push(line);
  }
  return lines.sort((a, b) => b.length - a.length);
}

/** Principal axis of a piece; undefined when it is not long and thin. */
function lineOf(members: readonly number[], width: number, data: Float32Array): Line | undefined {
  let mass = 0;
  let sx = 0;
  let sy = 0;
  for (const i of members) {
    const w = Math.min(20, data[i]!);
    mass += w;
    sx += w * (i % width);
    sy += w * Math.floor(i / width);
  }
  const cx = sx / mass;
  const cy = sy / mass;
  let xx = 0;
  let yy = 0;
  let xy = 0;
  for (const i of members) {
    const w = Math.min(20, data[i]!);
    const dx = (i % width) - cx;
    const dy = Math.floor(i / width) - cy;
    xx += w * dx * dx;
    yy += w * dy * dy;
    xy += w * dx * dy;
  }
  const angle = Math.atan2(2 * xy, xx - yy) / 2;
  const spread = Math.hypot((xx - yy) / 2, xy) / mass;
  const middle = (xx + yy) / 2 / mass;
  const along = Math.sqrt(12 * (middle + spread));
  const across = Math.sqrt(12 * Math.max(1 / 12, middle - spread));
  if (along < MIN_RATIO * across) return undefined;
  const cos = Math.cos(angle);
  const sin = Math.sin(angle);
  let low = 0;
  let high = 0;
  for (const i of members) {
    const u = cos * ((i % width) - cx) + sin * (Math.floor(i / width) - cy);
    if (u < low) low = u;
    if (u > high) high = u;
  }
  return {
    x1: cx + low * cos,
    y1: cy + low * sin,
    x2: cx + high * cos,
    y2: cy + high * sin,
    length: high - low,
    mass,
    angle,
  };
}

/** Joins pieces that lie on one straight line with gaps up to `gap` or half their length (dashes of an aircraft). */
function joinLines(lines: readonly Line[], gap: number): Line[] {
  const rest = [...lines];
  const joined: Line[] = [];
  while (rest.length > 0) {
    let line = rest.shift()!;
    let again = true;
    while (again) {
      again = false;
      for (let i = 0; i < rest.length; i++) {
        const other = rest[i]!;
        if (!inLine(line, other, gap)) continue;
        line = union(line, other);
        rest.splice(i, 1);
        again = true;
        break;
      }
    }
    joined.push(line);
  }
  return joined.sort((a, b) => b.length - a.length);
}

function inLine(a: Line, b: Line, gap: number): boolean {
  const cos = Math.cos(a.angle);
  const sin = Math.sin(a.angle);
  const mx = (a.x1 + a.x2) / 2;
  const my = (a.y1 + a.y2) / 2;
  const across = (x: number, y: number): number => Math.abs(-sin * (x - mx) + cos * (y - my));
  const along = (x: number, y: number): number => cos * (x - mx) + sin * (y - my);
  // The direction of a short piece is known to about a pixel over its length.
  const tolerance = 1.5 + Math.max(0.02, 0.8 / a.length) * Math.hypot(b.x1 - mx, b.y1 - my);
  if (across(b.x1, b.y1) > tolerance || across(b.x2, b.y2) > tolerance) return false;
  const low = Math.min(along(b.x1, b.y1), along(b.x2, b.y2));
  const high = Math.max(along(b.x1, b.y1), along(b.x2, b.y2));
  const half = a.length / 2;
  return Math.max(low - half, -half - high) < Math.max(gap, 0.5 * a.length);
}

function union(a: Line, b: Line): Line {
  const cos = Math.cos(a.angle);
  const sin = Math.sin(a.angle);
  const points = [
    [a.x1, a.y1],
    [a.x2, a.y2],
    [b.x1, b.y1],
    [b.x2, b.y2],
  ].sort((p, q) => cos * p[0]! + sin * p[1]! - (cos * q[0]! + sin * q[1]!));
  const first = points[0]!;
  const last = points[3]!;
  return {
    x1: first[0]!,
    y1: first[1]!,
    x2: last[0]!,
    y2: last[1]!,
    length: Math.hypot(last[0]! - first[0]!, last[1]! - first[1]!),
    mass: a.mass + b.mass,
    angle: Math.atan2(last[1]! - first[1]!, last[0]! - first[0]!),
  };
}

/** Places the line on the full plane: across by the light's centre in three stretches, width and brightness from the profile. */
function refine(plane: Plane, options: StreakOptions, line: Line, bin: number): Streak | undefined {
  const scale = (v: number): number => (v + 0.5) * bin - 0.5;
  let x1 = scale(line.x1);
  let y1 = scale(line.y1);
  let x2 = scale(line.x2);
  let y2 = scale(line.y2);
  const reach = 4 * bin + 4;
  for (let pass = 0; pass < 2; pass++) {
    const first = profile(plane, options, { x1, y1, x2, y2 }, reach, 0, 0.4);
    const second = profile(plane, options, { x1, y1, x2, y2 }, reach, 0.6, 1);
    const length = Math.hypot(x2 - x1, y2 - y1);
    const nx = -(y2 - y1) / length;
    const ny = (x2 - x1) / length;
    const a = centerOf(first, reach);
    const b = centerOf(second, reach);
    if (Number.isNaN(a) || Number.isNaN(b)) return undefined;
    // Offsets at 0.2 and 0.8 of the way, carried to the ends.
    const slope = (b - a) / 0.6;
    const o1 = a - 0.2 * slope;
    const o2 = a + 0.8 * slope;
    x1 += o1 * nx;
    y1 += o1 * ny;
    x2 += o2 * nx;
    y2 += o2 * ny;
  }
  const line2 = { x1, y1, x2, y2 };
  const whole = profile(plane, options, line2, reach, 0.05, 0.95);
  const top = Math.max(...whole);
  if (!(top > 0)) return undefined;
  // Light beside the line must fall on both sides: else it is an edge.
  const left = whole[0]! + whole[1]! + whole[2]!;
  const right = whole[whole.length - 1]! + whole[whole.length - 2]! + whole[whole.length - 3]!;
  if (Math.abs(left - right) > 3 * 0.4 * top) return undefined;
  let sum = 0;
  for (const value of whole) sum += Math.max(0, value);
  // Width of the box of the same height and light: 1.064 fwhm of a Gaussian.
  const width = sum / top / 1.064;
  const length = Math.hypot(x2 - x1, y2 - y1);
  if (width > WIDEST || width > WIDEST_SHARE * length) return undefined;
  if (litShare(plane, line2, top) < (length < LONG ? LEAST_LIT_SHORT : LEAST_LIT)) return undefined;
  return { ...line2, width, brightness: top };
}

/** Share of the line's length at which it is brighter than the ground beside it by half of its typical light. */
function litShare(
  plane: Plane,
  line: { readonly x1: number; readonly y1: number; readonly x2: number; readonly y2: number },
  top: number,
): number {
  const { width, height, data } = plane;
  const length = Math.hypot(line.x2 - line.x1, line.y2 - line.y1);
  const ux = (line.x2 - line.x1) / length;
  const uy = (line.y2 - line.y1) / length;
  const at = (s: number, offset: number): number => {
    const x = Math.round(line.x1 + s * ux - offset * uy);
    const y = Math.round(line.y1 + s * uy + offset * ux);
    return x < 0 || y < 0 || x >= width || y >= height ? Number.NaN : data[y * width + x]!;
  };
  let lit = 0;
  let seen = 0;
  // In stretches: one pixel of a faint line is lost in the noise.
  for (let s = 0; s + STRETCH <= length; s += STRETCH) {
    let on = 0;
    let off = 0;
    for (let k = 0; k < STRETCH; k++) {
      on += (at(s + k, -1) + at(s + k, 0) + at(s + k, 1)) / 3;
      off += (at(s + k, -12) + at(s + k, 12)) / 2;
    }
    if (Number.isNaN(on - off)) continue;
    seen++;
    if ((on - off) / STRETCH > 0.5 * top) lit++;
  }
  return seen === 0 ? 0 : lit / seen;
}

/** Mean light across a line at offsets -reach..reach, 1 px apart; medians along it, so that stars on it do not count. */
function profile(
  plane: Plane,
  options: StreakOptions,
  line: { readonly x1: number; readonly y1: number; readonly x2: number; readonly y2: number },
  reach: number,
  from: number,
  to: number,
): number[] {
  const { width, height, data } = plane;
  const length = Math.hypot(line.x2 - line.x1, line.y2 - line.y1);
  const ux = (line.x2 - line.x1) / length;
  const uy = (line.y2 - line.y1) / length;
  const values: number[] = [];
  for (let offset = -reach; offset <= reach; offset++) {
    const samples: number[] = [];
    for (let s = from * length; s <= to * length; s++) {
      const x = Math.round(line.x1 + s * ux - offset * uy);
      const y = Math.round(line.y1 + s * uy + offset * ux);
      if (x < 0 || y < 0 || x >= width || y >= height) continue;
      const value = data[y * width + x]!;
      if (!Number.isNaN(value)) samples.push(value);
    }
    values.push(median(samples));
  }
  const rim = [...values.slice(0, 3), ...values.slice(-3)].filter((v) => !Number.isNaN(v));
  const base = rim.length > 0 ? median(rim) : median(options.mesh.level);
  return values.map((v) => (Number.isNaN(v) ? 0 : v - base));
}

function centerOf(values: readonly number[], reach: number): number {
  const top = Math.max(...values);
  if (!(top > 0)) return Number.NaN;
  let sum = 0;
  let weighted = 0;
  for (let i = 0; i < values.length; i++) {
    if (values[i]! < 0.3 * top) continue;
    sum += values[i]!;
    weighted += values[i]! * (i - reach);
  }
  return weighted / sum;
}
