import {
  gaussian,
  makeStarTable,
  STAR_FLAGS,
  type StarTable,
  seededRandom,
  selectStars,
} from '../src/core/index.js';
import { hash } from './_noise.js';
import type { FrameScene } from './_scene.js';
import {
  COMA,
  fieldRadius,
  forEachStar,
  MEASURED_VARIANCE,
  onGrid,
  quadratic,
  shakeOffset,
  spotSigma,
} from './_star-light.js';
import { gainOf, realExposure } from './night-scenario.js';

/** What a good measurement of a frame would give, without making its pixels. */
export interface SimulatedStars {
  readonly table: StarTable;
  /** Row of each star in the night's star field, -1 for a false detection. */
  readonly row: Int32Array;
}

export interface StarTableOptions {
  /** Signal-to-noise below which a star is not found; default 5. */
  readonly threshold?: number;
  /** Share of false detections (defects, noise) among all; default 0. */
  readonly falseShare?: number;
  /** Brightest kept; default 1500. */
  readonly maxStars?: number;
}

/** Position error at best, px: interpolation of the green plane. @source measured on simulated mosaics, 0.02 to 0.04. */
const POSITION_FLOOR = 0.03;

/**
 * Draws the star table of a frame from its truth: shapes from the exact second moments of optics, trail and
 * shake, with errors that follow from photon, sky and read noise. Deterministic in scenario and frame.
 *
 * @source flux and position error: I. R. King, PASP 95 (1983) 163, for a Gaussian under uniform noise
 */
export function simulateStarTable(
  scene: FrameScene,
  index: number,
  options: StarTableOptions = {},
): SimulatedStars {
  const { scenario, shot, land, glow } = scene;
  const { threshold = 5, falseShare = 0, maxStars = 1500 } = options;
  const { width, height, readNoise, whiteLevel, blackLevel } = scenario.camera;
  const gain = gainOf(scenario, shot);
  const seconds = realExposure(shot);
  const random = seededRandom(hash(scenario.seed, index, 808));
  const rows: number[][] = [];
  const centerX = (width - 1) / 2 + scenario.lens.shape.offsetX;
  const centerY = (height - 1) / 2 + scenario.lens.shape.offsetY;
  const coreShare = 1 - scenario.lens.wingShare - (shot.dew ? 0.12 * Math.min(1, shot.dew.sigma) : 0);
  const skyAt = (x: number, y: number) => onGrid(glow, glow.green, x, y) * seconds;
  const add = (
    x: number,
    y: number,
    electrons: number,
    cov: readonly [number, number, number],
    star: number,
  ): void => {
    const [xx, yy, xy] = cov;
    const mean = (xx + yy) / 2;
    const apart = Math.hypot((xx - yy) / 2, xy);
    const a2 = mean + apart;
    const b2 = Math.max(0.05, mean - apart);
    const sky = skyAt(x, y);
    const area = 4 * Math.PI * Math.sqrt(a2 * b2);
    // Half the pixels are green: the sky's noise counts double.
    const noise = Math.sqrt(Math.max(0, electrons) + 2 * area * (sky + readNoise ** 2));
    const measured = electrons + noise * gaussian(random);
    const snr = measured / noise;
    // All draws are made before the cut, so that one star's luck does not change the others'.
    const draws = [0, 0, 0, 0, 0].map(() => gaussian(random));
    if (snr < threshold) return;
    const error = Math.hypot(Math.sqrt(mean) / snr, POSITION_FLOOR);
    const px = x + error * draws[0]!;
    const py = y + error * draws[1]!;
    const shapeError = 1.1 / Math.max(snr, 12);
    const a = Math.sqrt(a2) * (1 + shapeError * draws[2]!);
    const b = Math.sqrt(b2) * (1 + shapeError * draws[3]!);
    const major = Math.max(a, b);
    const minor = Math.min(a, b);
    const theta =
      ((Math.atan2(2 * xy, xx - yy) / 2) * 180) / Math.PI +
      (draws[4]! * shapeError * 57.3 * minor) / Math.max(0.05, major - minor);
    const peak = measured / (2 * Math.PI * major * minor) / gain;
    let flags = 0;
    if (peak + sky / gain > whiteLevel - blackLevel) flags |= STAR_FLAGS.SATURATED.bit;
    if (px < 12 || py < 12 || px > width - 13 || py > height - 13) flags |= STAR_FLAGS.NEAR_EDGE.bit;
    rows.push([
      px,
      py,
      measured / gain,
      Math.min(peak, whiteLevel - blackLevel),
      sky / gain,
      snr,
      2 * Math.sqrt(Math.LN2 * (major * major + minor * minor)),
      2.3548 * minor,
      major / minor,
      ((theta % 180) + 180) % 180,
      Math.sqrt(Math.max(0, 12 * (major * major - minor * minor))),
      error,
      flags,
      star,
    ]);
  };
  forEachStar(scene, ({ path, electrons, index: star }) => {
    const green = electrons[1]! * coreShare;
    if (green < 2 * threshold) return;
    let mx = 0;
    let my = 0;
    let xx = 0;
    let yy = 0;
    let xy = 0;
    const steps = shot.shake ? 24 : 8;
    for (let k = 0; k < steps; k++) {
      const tau = (k + 0.5) / steps;
      const [dx, dy] = shakeOffset(shot, tau);
      const x = quadratic(path[0]!, path[2]!, path[4]!, tau) + dx;
      const y = quadratic(path[1]!, path[3]!, path[5]!, tau) + dy;
      mx += x / steps;
      my += y / steps;
      xx += (x * x) / steps;
      yy += (y * y) / steps;
      xy += (x * y) / steps;
    }
    // n midpoints of a line have 1 - 1/n^2 of its variance.
    const full = shot.shake ? 1 : 1 / (1 - 1 / (steps * steps));
    if (!(mx >= 2 && my >= 2 && mx <= width - 3 && my <= height - 3)) return;
    if (land && land.cover[Math.round(my) * width + Math.round(mx)]! > 0.5) return;
    const sigma = spotSigma(scenario, shot, mx, my);
    const coma = scenario.lens.coma * fieldRadius(scenario, mx, my) ** 2;
    const spread = COMA.reduce((sum, [place, share]) => sum + share * place * place, 0) * coma * coma;
    const radial = Math.hypot(mx - centerX, my - centerY) || 1;
    const ux = (mx - centerX) / radial;
    const uy = (my - centerY) / radial;
    const round = sigma * sigma + MEASURED_VARIANCE;
    add(
      mx,
      my,
      green,
      [
        round + (xx - mx * mx) * full + spread * ux * ux,
        round + (yy - my * my) * full + spread * uy * uy,
        (xy - mx * my) * full + spread * ux * uy,
      ],
      star,
    );
  });
  const wrong = Math.round((rows.length * falseShare) / Math.max(0.01, 1 - falseShare));
  for (let i = 0; i < wrong; i++) {
    const x = 3 + random() * (width - 7);
    const y = 3 + random() * (height - 7);
    const strength = 6 * Math.sqrt(2 * 12 * (skyAt(x, y) + readNoise ** 2)) * (1 + 20 * random() ** 3);
    add(x, y, strength, [0.6, 0.6, 0], -1);
  }
  rows.sort((p, q) => q[2]! - p[2]!);
  const kept = rows.slice(0, maxStars);
  const table = makeStarTable(kept.length);
  const columns = [
    table.x,
    table.y,
    table.flux,
    table.peak,
    table.background,
    table.snr,
    table.fwhm,
    table.fwhmMinor,
    table.elongation,
    table.theta,
    table.trailLength,
    table.positionError,
    table.flags,
  ];
  kept.forEach((row, i) => {
    columns.forEach((column, c) => {
      column[i] = row[c]!;
    });
  });
  return { table, row: Int32Array.from(kept, (row) => row[13]!) };
}

/** Leaves out stars by row; for tests with few stars. */
export function keepStars(stars: SimulatedStars, rows: ArrayLike<number>): SimulatedStars {
  return {
    table: selectStars(stars.table, rows),
    row: Int32Array.from({ length: rows.length }, (_, i) => stars.row[rows[i]!]!),
  };
}
