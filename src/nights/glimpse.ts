import { type FramePixels, mean, median, SIGMA_PER_MAD } from '../core/index.js';
import {
  type BinnedFrame,
  binFrame,
  meshOf,
  meshSurface,
  sampledQuantile,
  sampleOf,
  thumbnailOf,
} from './_binned.js';
import { halfLightDiameter } from './_half-light.js';
import { findPeaks, type Peak, spreadPeaks } from './_peaks.js';
import { upperSpread } from './_pixel-window.js';
import type { FrameGlimpse } from './types.js';

const THUMBNAIL_SIDE = 64;
const PEAK_LIMIT = 60;
/** Peaks stand this many sigma of the binned picture above their surroundings. */
const PEAK_SIGMA = 5;
/** Below this many sharp peaks the frame is looked at once more, shrunk further, for stars out of focus. */
const FEW_PEAKS = 5;

/**
 * Takes a quick look at a frame: levels, scatter, evenness, star-like peaks and a thumbnail, from a copy
 * shrunk by whole blocks. Cheap on any frame (one pass over the pixels); the frame is not modified.
 *
 * @param pixels  mosaic, mono or colour as a reader hands it over; NaN counts as black
 * @returns levels as fractions of white above black, positions and `sharpness` in px of the full frame
 */
export function glimpse(pixels: FramePixels): FrameGlimpse {
  const frame = binFrame(pixels);
  const mesh = meshOf(frame, meshCells(frame.width, 16), meshCells(frame.height, 12));
  const surface = meshSurface(mesh, frame.width, frame.height);
  const residual = new Float32Array(frame.data.length);
  for (let i = 0; i < residual.length; i++) residual[i] = frame.data[i]! - surface[i]!;
  const scatter = scatterOf(residual);
  const average = mean(sampleOf(frame.data, 200_000));

  // An 8-bit picture whose sky is clipped to 0 has no scatter at all: a step of its levels is the least noise.
  const threshold = peakThreshold(residual, frame);
  let peaks = findPeaks(pixels, frame, { residual, threshold });
  if (peaks.length < FEW_PEAKS) peaks = [...peaks, ...softPeaks(pixels, frame, peaks)];
  const spread = spreadPeaks(peaks, pixels, PEAK_LIMIT);
  const sharpness = halfLightDiameter(pixels, spread);

  const coarse = meshOf(frame, meshCells(frame.width, 8), meshCells(frame.height, 6)).levels;
  const lowest = coarse.reduce((a, b) => Math.min(a, b));
  const highest = coarse.reduce((a, b) => Math.max(a, b));
  return {
    median: sampledQuantile(frame.data, 0.5),
    mean: average,
    high: sampledQuantile(frame.data, 0.995),
    scatter,
    clippedShare: frame.clippedShare,
    unevenness: (highest - lowest) / Math.max(Math.abs(average), 1e-6),
    starCount: peaks.length,
    thumbnail: thumbnailOf(frame, THUMBNAIL_SIDE),
    peaks: Float32Array.from(spread.flatMap((peak) => [peak.x, peak.y])),
    ...(sharpness === undefined ? {} : { sharpness }),
  };
}

/** At most `most` mesh cells, each at least eight pixels wide. */
function meshCells(length: number, most: number): number {
  return Math.max(1, Math.min(most, Math.floor(length / 8)));
}

function scatterOf(residual: Float32Array): number {
  const sample = sampleOf(residual, 60_000);
  const center = median(sample);
  for (let i = 0; i < sample.length; i++) sample[i] = Math.abs(sample[i]! - center);
  return SIGMA_PER_MAD * median(sample);
}

function peakThreshold(residual: Float32Array, frame: BinnedFrame): number {
  const spread = upperSpread(sampleOf(residual, 60_000));
  return PEAK_SIGMA * Math.max(scatterOf(residual), spread, frame.step / frame.block / 3);
}

/** Looks for stars out of focus: the same search on a picture shrunk four times more. */
function softPeaks(pixels: FramePixels, frame: BinnedFrame, known: readonly Peak[]): Peak[] {
  const shrink = 4;
  const width = Math.floor(frame.width / shrink);
  const height = Math.floor(frame.height / shrink);
  if (width < 24 || height < 24) return [];
  const data = new Float32Array(width * height);
  for (let y = 0; y < height * shrink; y++) {
    const row = Math.floor(y / shrink) * width;
    for (let x = 0; x < width * shrink; x++)
      data[row + Math.floor(x / shrink)]! += frame.data[y * frame.width + x]! / (shrink * shrink);
  }
  const small: BinnedFrame = { ...frame, width, height, data, block: frame.block * shrink };
  const mesh = meshOf(small, meshCells(width, 16), meshCells(height, 12));
  const surface = meshSurface(mesh, width, height);
  const residual = data.map((value, i) => value - surface[i]!);
  const threshold = peakThreshold(residual, small);
  return findPeaks(pixels, small, { residual, threshold }).filter((peak) =>
    known.every((other) => Math.hypot(other.x - peak.x, other.y - peak.y) > 2 * small.block),
  );
}
