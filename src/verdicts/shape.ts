import { type Alignment, predictedTrail } from '../alignment/index.js';
import { FWHM_PER_SIGMA, median, quantile, type StarTable } from '../core/index.js';
import type { JudgeFrame } from './types.js';

/** Second moments of a star image, px^2. */
export interface Tensor {
  readonly xx: number;
  readonly xy: number;
  readonly yy: number;
}

/** Shape of one frame's stars against the run's best and against the sky's own motion. */
export interface FrameShape {
  /** fwhm of the run's stars against the same stars in the best quarter of frames; NaN when unknown. */
  readonly fwhmRatio: number;
  /** The same across the trail. */
  readonly fwhmMinorRatio: number;
  /** Length the sky explains at the middle of the field, px. */
  readonly predicted: number;
  /** Length measured there, px. */
  readonly measured: number;
  /** Length of the smear that is left when the sky's part is taken out, px, and its direction, deg in [0, 180). */
  readonly extra: number;
  readonly extraAngle: number;
  readonly predictedAngle: number;
  /** Median fwhm of the stars in the run's best quarter of frames, px: a softer frame may not trail more for it. */
  readonly bestFwhm: number;
}

/** Second moments of star `row` from its fwhm, elongation and theta. */
export function starTensor(stars: StarTable, row: number): Tensor {
  const sum = (stars.fwhm[row]! / FWHM_PER_SIGMA) ** 2 * 2;
  const e2 = stars.elongation[row]! ** 2;
  const major = (sum * e2) / (1 + e2);
  const minor = sum / (1 + e2);
  return lineTensor(major, minor, stars.theta[row]!);
}

function lineTensor(major: number, minor: number, angle: number): Tensor {
  const c = Math.cos((angle * Math.PI) / 180);
  const s = Math.sin((angle * Math.PI) / 180);
  return {
    xx: major * c * c + minor * s * s,
    xy: (major - minor) * c * s,
    yy: major * s * s + minor * c * c,
  };
}

/** Moments of a uniform line of length L: L^2/12 along it. @source variance of the uniform distribution (checks D-TRL). */
export function trailTensor(length: number, angle: number): Tensor {
  return lineTensor((length * length) / 12, 0, angle);
}

/** Length (px) of the line that explains how much longer a tensor is than wide, and its direction (deg). */
export function tensorTrail(tensor: Tensor): { readonly length: number; readonly angle: number } {
  const half = (tensor.xx - tensor.yy) / 2;
  const difference = 2 * Math.hypot(half, tensor.xy);
  const angle = ((Math.atan2(tensor.xy, half) * 90) / Math.PI + 180) % 180;
  return { length: Math.sqrt(12 * difference), angle };
}

function medianTensor(tensors: readonly Tensor[]): Tensor {
  return {
    xx: median(tensors.map((t) => t.xx)),
    xy: median(tensors.map((t) => t.xy)),
    yy: median(tensors.map((t) => t.yy)),
  };
}

const USABLE = 1 | 2 | 4 | 8 | 32 | 64; // saturated, edge, blended, no flux, land, shape failed

/**
 * Compares the shape of the run's own stars frame by frame.
 *
 * The middle of the field decides (coma points outward and is no trail, P04). The sky's own trail at each place
 * is taken out as a tensor, so a frame is never blamed for obeying the turning sky (P01).
 *
 * @param part 1 = a star that alone decides where a frame shows enough of them, u8[trackCount]
 */
export function measureShapes(
  frames: readonly JudgeFrame[],
  alignment: Alignment,
  part?: Uint8Array,
): FrameShape[] {
  const { trackCount, trackRows, width, height } = alignment;
  const cell = (i: number, k: number) => trackRows[i * trackCount + k]!;
  const reach2 = (0.3 * Math.hypot(width, height)) ** 2;
  const widths = frames.map((frame) => frame.measurement?.fwhm ?? Number.NaN);
  const fwhmOf = new Float64Array(frames.length * trackCount).fill(Number.NaN);
  const minorOf = new Float64Array(frames.length * trackCount).fill(Number.NaN);
  frames.forEach((frame, i) => {
    const stars = frame.measurement?.stars;
    if (!stars) return;
    for (let k = 0; k < trackCount; k++) {
      const row = cell(i, k);
      if (row < 0 || (stars.flags[row]! & USABLE) !== 0) continue;
      fwhmOf[i * trackCount + k] = stars.fwhm[row]!;
      minorOf[i * trackCount + k] = stars.fwhmMinor[row]!;
    }
  });
  // The best quarter, by the frames' own medians; a star that only soft frames show is left out.
  const limit = quantile(widths, 0.25);
  const best = frames.map((_, i) => i).filter((i) => widths[i]! <= limit);
  const bestOf = (values: Float64Array, k: number) => median(best.map((i) => values[i * trackCount + k]!));
  const bestFwhm = Float64Array.from({ length: trackCount }, (_, k) => bestOf(fwhmOf, k));
  const bestMinor = Float64Array.from({ length: trackCount }, (_, k) => bestOf(minorOf, k));
  const frameBest = median(best.map((i) => widths[i]!));
  const frameBestMinor = median(best.map((i) => frames[i]!.measurement?.fwhmMinor ?? Number.NaN));

  return frames.map((frame, i) => {
    const measurement = frame.measurement;
    if (!measurement) return UNKNOWN;
    const widthsOf = (only: Uint8Array | undefined) => {
      const ratios: number[] = [];
      const minors: number[] = [];
      for (let k = 0; k < trackCount; k++) {
        if (only && only[k] !== 1) continue;
        const at = i * trackCount + k;
        if (fwhmOf[at]! > 0 && bestFwhm[k]! > 0) ratios.push(fwhmOf[at]! / bestFwhm[k]!);
        if (minorOf[at]! > 0 && bestMinor[k]! > 0) minors.push(minorOf[at]! / bestMinor[k]!);
      }
      return { ratios, minors };
    };
    const ofPart = part && widthsOf(part);
    const { ratios, minors } = ofPart && ofPart.ratios.length >= 5 ? ofPart : widthsOf(undefined);
    const exposure = frame.exposureTime ?? Number.NaN;
    const members: number[] = [];
    for (let k = 0; part && k < trackCount; k++)
      if (part[k] === 1 && cell(i, k) >= 0) members.push(cell(i, k));
    const { tensor, count, place } = middleTensor(measurement.stars, i, alignment, {
      exposure,
      reach2,
      members,
    });
    const center = predictedTrail(alignment, i, place[0], place[1], exposure);
    const extra = count >= 5 ? tensorTrail(tensor) : { length: Number.NaN, angle: Number.NaN };
    const known = Number.isFinite(center.length);
    const own = known
      ? tensorTrail(add(tensor, trailTensor(center.length, center.angle)))
      : { length: measurement.trailLength, angle: measurement.trailAngle };
    return {
      fwhmRatio: ratios.length >= 5 ? median(ratios) : measurement.fwhm / frameBest,
      fwhmMinorRatio: minors.length >= 5 ? median(minors) : measurement.fwhmMinor / frameBestMinor,
      predicted: center.length,
      predictedAngle: center.angle,
      measured: count >= 5 ? own.length : measurement.trailLength,
      // Without a prediction nothing is "extra": the verdict must not blame the sky on the photographer.
      extra: known ? extra.length : Number.NaN,
      extraAngle: extra.angle,
      bestFwhm: frameBest,
    };
  });
}

const UNKNOWN: FrameShape = {
  fwhmRatio: Number.NaN,
  fwhmMinorRatio: Number.NaN,
  predicted: Number.NaN,
  predictedAngle: Number.NaN,
  measured: Number.NaN,
  extra: Number.NaN,
  extraAngle: Number.NaN,
  bestFwhm: Number.NaN,
};

function add(a: Tensor, b: Tensor): Tensor {
  return { xx: a.xx + b.xx, xy: a.xy + b.xy, yy: a.yy + b.yy };
}

/**
 * Median moments over good stars near the middle of the field, or over some stars where there are enough of
 * them; the sky's trail at each place taken out.
 *
 * @returns `place`: the middle of the stars that decided, px
 */
function middleTensor(
  stars: StarTable,
  index: number,
  alignment: Alignment,
  options: { readonly exposure: number; readonly reach2: number; readonly members: readonly number[] },
): { readonly tensor: Tensor; readonly count: number; readonly place: readonly [number, number] } {
  const { width, height } = alignment;
  const { exposure, reach2, members } = options;
  const restOf = (row: number): Tensor | undefined => {
    if ((stars.flags[row]! & USABLE) !== 0 || !(stars.snr[row]! > 15)) return undefined;
    const own = starTensor(stars, row);
    if (!Number.isFinite(own.xx)) return undefined;
    const trail = predictedTrail(alignment, index, stars.x[row]!, stars.y[row]!, exposure);
    const sky = Number.isFinite(trail.length)
      ? trailTensor(trail.length, trail.angle)
      : { xx: 0, xy: 0, yy: 0 };
    return { xx: own.xx - sky.xx, xy: own.xy - sky.xy, yy: own.yy - sky.yy };
  };
  const wanted = members.flatMap((row) => {
    const tensor = restOf(row);
    return tensor ? [{ tensor, row }] : [];
  });
  if (wanted.length >= 8) {
    return {
      tensor: medianTensor(wanted.map(({ tensor }) => tensor)),
      count: wanted.length,
      place: [median(wanted.map(({ row }) => stars.x[row]!)), median(wanted.map(({ row }) => stars.y[row]!))],
    };
  }
  const all: Tensor[] = [];
  const middle: Tensor[] = [];
  for (let row = 0; row < stars.count && middle.length < 150; row++) {
    const rest = restOf(row);
    if (!rest) continue;
    all.push(rest);
    if ((stars.x[row]! - width / 2) ** 2 + (stars.y[row]! - height / 2) ** 2 < reach2) middle.push(rest);
  }
  const used = middle.length >= 8 ? middle : all;
  return { tensor: medianTensor(used), count: used.length, place: [width / 2, height / 2] };
}
