import { FWHM_PER_SIGMA, type Mask, median, type Plane, STAR_FLAGS, type StarTable } from '../core/index.js';
import { filterPlane } from './_filter.js';
import { type Peaks, peaksOf } from './_peaks.js';
import { measureStars, spreadSelection } from './_stars.js';
import { frameShape, zonesOf } from './_zones.js';
import { defaultMesh, meshOf, meshSummary, objectMap } from './background.js';
import { findStreaks } from './streaks.js';
import type { BackgroundMesh, FrameMeasurement, MeasureOptions, MeasuringPlane } from './types.js';

/** Sigma of the matched filter before the frame's own stars are known, px: right within 5 % of signal for fwhm 2 to 5 px. */
const FIRST_SIGMA = 1.3;
/** Stars wider than this are looked for again with a filter of their own width, px. */
const SOFT_SIGMA = 2.1;

/**
 * Measures background, stars and streaks of one frame's measuring plane.
 *
 * Stars are local peaks of the plane under a matched filter, above `threshold` times that map's own noise
 * in tiles; each is fitted by a Gaussian convolved with a line. Single bright pixels that are sharper than
 * the frame's own stars allow are left out; as sharp as them, they are kept and flagged DEFECT_SUSPECT
 * (L60, L68). Saturated stars are kept and flagged (L61). The table holds the brightest of each of 6 x 4
 * cells and then the brightest overall, up to `maxStars`. Where nothing can be measured the table is empty
 * and the levels are NaN; no star, tile or pixel throws (L63, L65).
 *
 * @param plane f32[height*width], ADU above black; NaN = no data. Not modified.
 * @source matched filter: Bertin and Arnouts 1996; shape: Gaussian * line, variance L^2/12 along it
 */
export function measureFrame(plane: MeasuringPlane, options: MeasureOptions): FrameMeasurement {
  const { width, height } = plane;
  const mask = options.mask;
  const threshold = options.threshold ?? 5;
  const cell = defaultMesh(width, height);
  const first = meshOf(plane, { mask, cell });
  if (!first) return nothing(plane, options);
  const peakOptions = {
    mesh: first,
    mask,
    threshold,
    quantization: options.quantization,
    saturation: options.saturation,
  };
  let map = filterPlane(plane, { mesh: first, mask, sigma: FIRST_SIGMA });
  let peaks = peaksOf(map, { ...peakOptions, sigma: FIRST_SIGMA });
  const avoid = objectMap(plane, peaks, FIRST_SIGMA);
  const mesh = meshOf(plane, { mask, avoid, cell }) ?? first;
  const { filter } = typicalSigma(plane, peaks, mesh, options);
  if (filter > SOFT_SIGMA) {
    const sigma = Math.min(6, filter);
    map = filterPlane(plane, { mesh, mask, sigma });
    peaks = peaksOf(map, { ...peakOptions, mesh, sigma });
  }
  const maxStars = options.maxStars ?? 1500;
  const { stars, detectedCount } = starsOf(plane, peaks, mesh, options, maxStars);
  const summary = meshSummary(plane, mesh, mask);
  const zones = zonesOf(plane, stars, mesh, mask);
  const shape = frameShape(plane, stars);
  const streaks = options.streaks === false ? [] : findStreaks(plane, { mesh, mask, stars, filtered: map });
  return {
    width,
    height,
    stars,
    ...shape,
    background: summary.median,
    noise: summary.noise,
    ...landLevelOf(plane, mask),
    zones,
    streaks,
    clippedShare: clippedShare(plane, options.saturation),
    detectedCount,
    effectiveNoise: median(peaks.effectiveNoise.subarray(0, 4000)),
    backgroundRange: summary.range,
  };
}

/**
 * Typical sigma of the frame's clear stars, px, from a sample of bright peaks: across the trail, and of the
 * round filter that suits their length and width best. NaN when too few are clear.
 */
function typicalSigma(
  plane: MeasuringPlane,
  peaks: Peaks,
  mesh: BackgroundMesh,
  options: MeasureOptions,
): { across: number; filter: number } {
  const rows = spreadSelection(plane, peaks, Math.min(peaks.count, 120)).filter((k) => peaks.snr[k]! > 12);
  const sample = measureStars(plane, peaks, rows.slice(0, 80), { ...options, mesh, sigma: 1.6 });
  const across: number[] = [];
  const filter: number[] = [];
  for (let i = 0; i < sample.count; i++) {
    if ((sample.flags[i]! & ~STAR_FLAGS.BLENDED.bit) !== 0) continue;
    across.push(sample.fwhmMinor[i]! / FWHM_PER_SIGMA);
    filter.push((sample.fwhmMinor[i]! / FWHM_PER_SIGMA) * Math.sqrt(sample.elongation[i]!));
  }
  if (across.length < 5) return { across: Number.NaN, filter: Number.NaN };
  return { across: median(across), filter: median(filter) };
}

function starsOf(
  plane: MeasuringPlane,
  peaks: Peaks,
  mesh: BackgroundMesh,
  options: MeasureOptions,
  maxStars: number,
): { stars: StarTable; detectedCount: number } {
  const { across } = typicalSigma(plane, peaks, mesh, options);
  const sigma = across > 0 ? across : 1.5;
  // A few more than asked for, since some turn out to be defects or no stars at all.
  const rows = spreadSelection(plane, peaks, Math.ceil(maxStars * 1.15) + 20);
  const measured = measureStars(plane, peaks, rows, { ...options, mesh, sigma });
  return {
    stars: cutStars(measured, maxStars),
    detectedCount: Math.round((peaks.count * measured.count) / Math.max(1, rows.length)),
  };
}

function cutStars(table: StarTable, most: number): StarTable {
  if (table.count <= most) return table;
  const cut: Record<string, unknown> = { count: most };
  for (const [name, column] of Object.entries(table)) {
    if (name !== 'count') cut[name] = (column as Float32Array).subarray(0, most);
  }
  return cut as unknown as StarTable;
}

function clippedShare(plane: Plane, saturation: number): number {
  const { data } = plane;
  let clipped = 0;
  for (let i = 0; i < data.length; i++) if (data[i]! >= saturation) clipped++;
  return data.length === 0 ? 0 : clipped / data.length;
}

function landLevelOf(plane: Plane, mask: Mask | undefined): { landLevel?: number } {
  if (!mask) return {};
  const values: number[] = [];
  const step = Math.max(1, Math.floor(Math.sqrt(plane.data.length / 40_000)));
  for (let y = 0; y < plane.height; y += step) {
    for (let x = 0; x < plane.width; x += step) {
      const i = y * plane.width + x;
      if (mask.data[i] !== 0 && !Number.isNaN(plane.data[i])) values.push(plane.data[i]!);
    }
  }
  return values.length === 0 ? {} : { landLevel: median(values) };
}

function nothing(plane: Plane, options: MeasureOptions): FrameMeasurement {
  const empty: BackgroundMesh = {
    columns: 1,
    rows: 1,
    cellWidth: plane.width,
    cellHeight: plane.height,
    level: new Float32Array([Number.NaN]),
    noise: new Float32Array([Number.NaN]),
  };
  const peaks: Peaks = {
    count: 0,
    x: new Float64Array(),
    y: new Float64Array(),
    value: new Float32Array(),
    snr: new Float32Array(),
    neighbour: new Int32Array(),
    effectiveNoise: new Float32Array(),
  };
  const stars = measureStars(plane, peaks, [], { ...options, mesh: empty, sigma: 1.5 });
  return {
    width: plane.width,
    height: plane.height,
    stars,
    ...frameShape(plane, stars),
    background: Number.NaN,
    noise: Number.NaN,
    ...landLevelOf(plane, options.mask),
    zones: zonesOf(plane, stars, empty, options.mask),
    streaks: [],
    clippedShare: clippedShare(plane, options.saturation),
    detectedCount: 0,
  };
}
