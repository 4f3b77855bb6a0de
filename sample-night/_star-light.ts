import { apply, starToPixel, transpose } from './_geometry.js';
import { GRID_STEP } from './_lens-grid.js';
import { airPath, electronsPerSecond } from './_photometry.js';
import type { FrameScene, Sites } from './_scene.js';
import { type Collector, splat } from './_splat.js';
import { type NightScenario, realExposure, type Shot } from './night-scenario.js';

/** Value of a coarse grid at a pixel. */
export function onGrid(
  grid: { readonly columns: number; readonly rows: number },
  values: Float32Array,
  x: number,
  y: number,
): number {
  const gx = Math.min(grid.columns - 1.001, Math.max(0, x / GRID_STEP));
  const gy = Math.min(grid.rows - 1.001, Math.max(0, y / GRID_STEP));
  const i = Math.floor(gx);
  const j = Math.floor(gy);
  const u = gx - i;
  const v = gy - j;
  const k = j * grid.columns + i;
  return (
    (values[k]! * (1 - u) + values[k + 1]! * u) * (1 - v) +
    (values[k + grid.columns]! * (1 - u) + values[k + grid.columns + 1]! * u) * v
  );
}

/** Where a shaken camera's picture is displaced to at a moment of the exposure, tau in [0, 1]: a swing that dies down. */
export function shakeOffset(shot: Shot, tau: number): [number, number] {
  if (!shot.shake) return [0, 0];
  const angle = (shot.shake.angle * Math.PI) / 180;
  const swing = 0.5 * Math.cos(2 * Math.PI * 1.5 * tau) * (1 - 0.35 * tau);
  const across = 0.12 * Math.sin(2 * Math.PI * 1.1 * tau) * (1 - 0.35 * tau);
  const along = shot.shake.length * swing;
  const side = shot.shake.length * across;
  return [along * Math.cos(angle) - side * Math.sin(angle), along * Math.sin(angle) + side * Math.cos(angle)];
}

/** Round width of a star image at a place of the field, px, all causes but motion. */
export function spotSigma(scenario: NightScenario, shot: Shot, x: number, y: number): number {
  const { lens } = scenario;
  const r = fieldRadius(scenario, x, y);
  const extra = (shot.defocus ?? 0) ** 2 + (shot.dew?.sigma ?? 0) ** 2;
  return Math.sqrt(lens.coreSigma ** 2 + (lens.cornerSigma * r * r) ** 2 + extra);
}

/**
 * What pixels, interpolation of the green plane and the wings add to the variance of a star image as any fair
 * measurement finds it, px^2 per axis: 1/12 for the pixel's square, the rest measured on simulated mosaics.
 */
export const MEASURED_VARIANCE = 1 / 12 + 0.33;

/** Distance from the lens's axis, 1 at the corner. */
export function fieldRadius(scenario: NightScenario, x: number, y: number): number {
  const { camera, lens } = scenario;
  return (
    Math.hypot(
      x - (camera.width - 1) / 2 - lens.shape.offsetX,
      y - (camera.height - 1) / 2 - lens.shape.offsetY,
    ) /
    (Math.hypot(camera.width, camera.height) / 2)
  );
}

/** Coma as three spots along the radius: place in units of its length, share of light, width factor. Their mean place is zero. */
export const COMA = [
  [-0.248, 0.62, 1],
  [0.202, 0.24, 1.15],
  [0.752, 0.14, 1.35],
] as const;

/** Extinction of the three colours by the sine of the altitude. */
function extinctionTable(scenario: NightScenario): Float32Array {
  const steps = 1024;
  const table = new Float32Array(3 * (steps + 1));
  for (let i = 0; i <= steps; i++) {
    const air = airPath(i / steps);
    for (let c = 0; c < 3; c++) table[3 * i + c] = 10 ** (-0.4 * scenario.sky.extinction[c as 0]! * air);
  }
  return table;
}

/** Light of a star in the three colours on its way to the sensor. */
export interface StarArrival {
  /** Place at the opening, middle and close of the shutter, px. */
  readonly path: Float64Array;
  /** Electrons of red, green, blue pixels over the exposure, as if all pixels were of that kind. */
  readonly electrons: Float64Array;
  index: number;
}

/** Calls back for every star above the horizon whose light may touch the frame. The record handed over is re-used. */
export function forEachStar(scene: FrameScene, visit: (star: StarArrival) => void): void {
  const { scenario, shot, geometry, stars, glow, grid } = scene;
  const { width, height } = scenario.camera;
  const seconds = realExposure(shot);
  const skies = [0, 0.5, 1].map((tau) => geometry.skyAt(shot.time + tau * seconds));
  const dim = extinctionTable(scenario);
  const perUnit = electronsPerSecond(scenario) * seconds;
  const out = new Float64Array(3);
  const star: StarArrival = { path: new Float64Array(6), electrons: new Float64Array(3), index: 0 };
  const margin = 40;
  // A cheap look first: nothing farther from the axis than the farthest corner, and a degree for refraction.
  const axis = apply(transpose(skies[1]!), [geometry.camera[6]!, geometry.camera[7]!, geometry.camera[8]!]);
  let corner = 1;
  for (const k of [0, grid.columns - 1, grid.columns * (grid.rows - 1), grid.columns * grid.rows - 1]) {
    corner = Math.min(corner, grid.z[k]!);
  }
  const reach = Math.cos(
    Math.min(Math.PI, Math.acos(corner) + 0.02 + (2 * margin) / geometry.lens.focalLengthPx),
  );
  for (let s = 0; s < stars.count; s++) {
    const x = stars.x[s]!;
    const y = stars.y[s]!;
    const z = stars.z[s]!;
    if (x * axis[0] + y * axis[1] + z * axis[2] < reach) continue;
    starToPixel(geometry, skies[1]!, x, y, z, out);
    const mx = out[0]!;
    const my = out[1]!;
    if (!(mx > -margin && my > -margin && mx < width + margin && my < height + margin)) continue;
    const up = out[2]!;
    if (up < 0) continue;
    const step = 3 * Math.round(up * 1024);
    const arriving = perUnit * onGrid(grid, grid.transmission, mx, my) * onGrid(glow, glow.clear, mx, my);
    star.path[2] = mx;
    star.path[3] = my;
    starToPixel(geometry, skies[0]!, x, y, z, out);
    star.path[0] = out[0]!;
    star.path[1] = out[1]!;
    starToPixel(geometry, skies[2]!, x, y, z, out);
    star.path[4] = out[0]!;
    star.path[5] = out[1]!;
    star.electrons[0] = arriving * stars.red[s]! * dim[step]!;
    star.electrons[1] = arriving * stars.green[s]! * dim[step + 1]!;
    star.electrons[2] = arriving * stars.blue[s]! * dim[step + 2]!;
    star.index = s;
    visit(star);
  }
}

/** Value at t of the parabola through three values at t = 0, 1/2 and 1. */
export const quadratic = (a: number, b: number, c: number, t: number): number =>
  a * (2 * t - 1) * (t - 1) + b * 4 * t * (1 - t) + c * t * (2 * t - 1);

/** Adds the light of all stars. */
export function drawStars(scene: FrameScene, sites: Sites, to: Collector): void {
  const { scenario, shot } = scene;
  const { lens } = scenario;
  const light = new Float64Array(4);
  const { wingSigma } = lens;
  const wide = Math.hypot(wingSigma, (shot.dew?.sigma ?? 0) * 3, shot.defocus ?? 0);
  const wingShare = Math.min(0.6, lens.wingShare + (shot.dew ? 0.12 * Math.min(1, shot.dew.sigma) : 0));
  const centerX = (scenario.camera.width - 1) / 2 + lens.shape.offsetX;
  const centerY = (scenario.camera.height - 1) / 2 + lens.shape.offsetY;
  forEachStar(scene, (star) => {
    const { path, electrons } = star;
    const total = Math.max(electrons[0]!, electrons[1]!, electrons[2]!);
    if (total < 0.5) return;
    const mx = path[2]!;
    const my = path[3]!;
    const r = fieldRadius(scenario, mx, my);
    const sigma = spotSigma(scenario, shot, mx, my);
    const coma = lens.coma * r * r;
    const trail = Math.hypot(path[4]! - path[0]!, path[5]! - path[1]!) + 3 * (shot.shake?.length ?? 0);
    const bright = total > 600;
    const steps = Math.max(
      trail > 0.3 ? 2 : 1,
      Math.ceil(trail / (bright ? 0.6 : 1.2) / Math.max(0.7, sigma)),
    );
    const radial = Math.hypot(mx - centerX, my - centerY) || 1;
    const ux = (mx - centerX) / radial;
    const uy = (my - centerY) / radial;
    const parts = total > 250 && coma > 0.12 * sigma ? 3 : 1;
    // Few spots for a line would make it look short: their spread is widened to that of the full line.
    const widen = steps === 1 ? 1 : 1 / Math.sqrt(1 - 1 / (steps * steps));
    for (let k = 0; k < steps; k++) {
      const tau = 0.5 + ((k + 0.5) / steps - 0.5) * (shot.shake ? 1 : widen);
      const [dx, dy] = shakeOffset(shot, tau);
      const px = quadratic(path[0]!, mx, path[4]!, tau) + dx;
      const py = quadratic(path[1]!, my, path[5]!, tau) + dy;
      for (let p = 0; p < parts; p++) {
        const [place, share, width] = parts === 1 ? ([0, 1, 1] as const) : COMA[p]!;
        const weight = ((1 - wingShare) * share) / steps;
        for (let i = 0; i < 4; i++) light[i] = electrons[sites[i]!]! * weight;
        splat(to, px + ux * coma * place, py + uy * coma * place, sigma * width, light);
      }
    }
    if (total * wingShare > wide * wide) {
      for (let i = 0; i < 4; i++) light[i] = electrons[sites[i]!]! * wingShare;
      splat(to, mx, my, wide, light);
    }
  });
}

/** Mean displacement of the light of a shaken frame, px; zero for a still one. */
export function shakeShift(shot: Shot): [number, number] {
  if (!shot.shake) return [0, 0];
  const path = shakePath(shot);
  const mean = (axis: 0 | 1) => path.reduce((sum, offset) => sum + offset[axis], 0) / path.length;
  return [mean(0), mean(1)];
}

/** The whole path of a shaken camera, px. */
export function shakePath(shot: Shot): [number, number][] {
  return Array.from({ length: 24 }, (_, i) => shakeOffset(shot, (i + 0.5) / 24));
}
