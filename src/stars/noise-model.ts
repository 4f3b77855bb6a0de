import { type FramePixels, mean, median, quantile } from '../core/index.js';
import { type Block, readBlocks } from './_noise-blocks.js';
import type { NoiseModel } from './types.js';

/** Collects level and scatter from pairs of neighbouring frames; memory does not grow with their number. */
export interface NoiseCollector {
  /** Adds a pair of frames of like exposure, the nearer in time the better; a pair of other size or kind is passed over. */
  accumulate(first: FramePixels, second: FramePixels): void;
  /** The model; undefined when too few blocks were seen. */
  finish(): NoiseModel | undefined;
}

/**
 * Starts finding gain and read noise from a run's own lights by mean and variance of pairs: in small blocks of
 * one colour, half the variance of the difference against the mean level. The colours, the vignetting and the
 * land give the spread of levels. The variance of rounding, 1/12 ADU^2, is taken off.
 *
 * Faint stars, which move from frame to frame, add a tenth and more to the variance of a Milky Way sky. Their
 * light is spread over touching pixels and noise is not, so what touching pixels share tells how much it is.
 *
 * @param options.saturation levels above 90 % of this are left out, ADU; default each frame's own white level
 * @source J. R. Janesick, Photon Transfer (SPIE 2007), ch. 5; EMVA 1288 R4.0 section 2; starlight: ours
 */
export function estimateNoise(options: { readonly saturation?: number } = {}): NoiseCollector {
  const blocks: Block[] = [];
  return {
    accumulate(first, second) {
      if (first.width !== second.width || first.height !== second.height || first.kind !== second.kind)
        return;
      if (first.kind === 'color') return;
      const top = 0.9 * (options.saturation ?? Math.min(...first.whiteLevel));
      for (const block of readBlocks(first, second, top)) blocks.push(block);
    },
    finish() {
      if (blocks.length < 200) return undefined;
      const { levels, variances } = withoutStarlight(blocks);
      return fitLine(levels, variances);
    },
  };
}

/** Blocks of one colour and like level in one group. */
const GROUP = 200;
/** Half blocks with more starlight than this share of the noise do not count when its spread is read off. */
const FAINT = 0.5;
/** Share of each group taken for the model, the least starry. */
const PLAIN_SHARE = 1 / 3;
/** Starlight that touching pixels of equal sensitivity share. @source a round star of sigma 0.9 to 1.1 px: 0.73 to 0.81 */
const SHARED_LIGHT = 0.8;
/** 1-sigma by which the spread of starlight may differ from what the sky's colour lets expect, as a share. */
const SPREAD_ERROR = 0.25;

/**
 * Levels and variances of half blocks, the least starry of each level, starlight taken off. How starry a half
 * is, is read off the other half, which has the same stars and none of its noise.
 */
function withoutStarlight(blocks: readonly Block[]): { levels: number[]; variances: number[] } {
  const levels: number[] = [];
  const variances: number[] = [];
  for (const color of new Set(blocks.map((block) => block.color))) {
    const groups = groupsOf(blocks.filter((block) => block.color === color));
    const spread = starSpread(groups);
    for (const group of groups) {
      for (const [own, other] of OTHER_HALF) {
        const starry = group.map(({ halves }) => halves[other].shared);
        const limit = quantile(starry, PLAIN_SHARE);
        for (const { halves } of group) {
          if (halves[other].shared > limit) continue;
          levels.push(halves[own].level);
          variances.push(halves[own].variance - spread * halves[own].shared);
        }
      }
    }
  }
  return { levels, variances };
}

const OTHER_HALF = [
  [0, 1],
  [1, 0],
] as const;

/** Blocks in groups of like level. */
function groupsOf(blocks: readonly Block[]): Block[][] {
  const level = ({ halves }: Block): number => halves[0].level + halves[1].level;
  const sorted = [...blocks].sort((a, b) => level(a) - level(b));
  const count = Math.max(1, Math.floor(sorted.length / GROUP));
  return Array.from({ length: count }, (_, g) =>
    sorted.slice(Math.floor((g * sorted.length) / count), Math.floor(((g + 1) * sorted.length) / count)),
  );
}

/**
 * Variance that starlight has for each unit of what touching pixels share. Expected from the colour of the sky;
 * measured by how variance and shared light of one half of the blocks rise with the shared light of the other
 * (an instrumental variable, so that noise does not flatten the slope); the two weighed by their errors.
 */
function starSpread(groups: readonly (readonly Block[])[]): number {
  const all = groups.flat();
  // The brighter half is sky rather than land.
  const sky = groups.slice(groups.length >> 1).flat();
  const expected =
    median(sky.map(({ halves, aroundLevel }) => (halves[0].level + halves[1].level) / (2 * aroundLevel))) /
    SHARED_LIGHT;
  if (!(expected > 0) || all.length === 0) return 0;
  let rise = 0;
  let shared = 0;
  let squares = 0;
  for (const group of groups) {
    const noise = median(group.map(({ halves }) => (halves[0].variance + halves[1].variance) / 2));
    for (const [own, other] of OTHER_HALF) {
      const faint = group.filter(({ halves }) => expected * halves[other].shared < FAINT * noise);
      if (faint.length < 2) continue;
      const middle = mean(faint.map(({ halves }) => halves[other].shared));
      for (const { halves } of faint) {
        const starry = (halves[other].shared - middle) / noise;
        rise += (starry * halves[own].variance) / noise;
        shared += (starry * halves[own].shared) / noise;
        squares += starry * starry;
      }
    }
  }
  if (!(shared > 0)) return expected;
  // The variance of 72 values has an error of a sixth.
  const error = Math.sqrt((squares * 2) / 72) / shared;
  const weight = 1 / error ** 2;
  const priorWeight = 1 / (SPREAD_ERROR * expected) ** 2;
  return ((rise / shared) * weight + expected * priorWeight) / (weight + priorWeight);
}

/** Starlight left in the variances, 1-sigma, as a share of them. @source truth nights: 0.2 to 2 %, 5 % at worst */
const RESIDUE = 0.02;

/** Groups blocks by level, takes each group's middle, and draws the line variance = level / gain + readNoise^2. */
function fitLine(levels: readonly number[], variances: readonly number[]): NoiseModel {
  const order = Array.from(levels.keys()).sort((a, b) => levels[a]! - levels[b]!);
  const groups = Math.min(40, Math.floor(order.length / 50));
  const points: { x: number; y: number; weight: number }[] = [];
  for (let g = 0; g < groups; g++) {
    const rows = order.slice(
      Math.floor((g * order.length) / groups),
      Math.floor(((g + 1) * order.length) / groups),
    );
    const y = lowerMean(rows.map((i) => variances[i]!));
    const x = median(rows.map((i) => levels[i]!));
    // The error of a group's variance is a fixed share of it.
    points.push({ x, y, weight: rows.length / (y * y) });
  }
  let sw = 0;
  let sx = 0;
  let sy = 0;
  for (const p of points) {
    sw += p.weight;
    sx += p.weight * p.x;
    sy += p.weight * p.y;
  }
  const mx = sx / sw;
  const my = sy / sw;
  let sxx = 0;
  let sxy = 0;
  for (const p of points) {
    sxx += p.weight * (p.x - mx) ** 2;
    sxy += p.weight * (p.x - mx) * (p.y - my);
  }
  const slope = sxy / sxx;
  const zero = my - slope * mx;
  let chi = 0;
  for (const p of points) chi += p.weight * (p.y - zero - slope * p.x) ** 2;
  const scatter = chi / Math.max(1, points.length - 2);
  const slopeError = Math.hypot(Math.sqrt(scatter / sxx), RESIDUE * slope);
  // Under a bright sky read noise is a small part of the least variance seen, and what stars left is not.
  const least = Math.min(...points.map(({ y }) => y));
  const zeroError = Math.hypot(Math.sqrt(scatter * (1 / sw + (mx * mx) / sxx)), RESIDUE * least);
  const gain = 1 / slope;
  const readVariance = Math.max(0, zero - 1 / 12);
  const readNoise = Math.sqrt(readVariance);
  return {
    gain,
    gainError: slopeError / slope ** 2,
    readNoise,
    readNoiseError: readNoise > 0 ? zeroError / (2 * readNoise) : Math.sqrt(zeroError),
    blocks: levels.length,
    levels: [points[0]!.x, points[points.length - 1]!.x],
    known: slope > 4 * slopeError && readVariance > 2 * zeroError,
  };
}

/**
 * Typical variance of a group of like blocks: the mean of those within 3 of their own scatter of the median.
 * Faint moving stars only ever add, so the upper side is cut closer than the lower.
 */
function lowerMean(values: readonly number[]): number {
  const middle = median(values);
  const spread = 1.4826 * median(values.map((v) => Math.abs(v - middle)));
  let sum = 0;
  let n = 0;
  for (const value of values) {
    if (value < middle - 3 * spread || value > middle + 3 * spread) continue;
    sum += value;
    n++;
  }
  return n > 0 ? sum / n : middle;
}
