import { toCamera } from './_color.js';
import { type FrameGeometry, starToPixel } from './_geometry.js';
import { type LandLayer, smearLayer } from './_land.js';
import { GRID_STEP, type LensGrid } from './_lens-grid.js';
import { airPath, electronsPerSecond, naturalSky } from './_photometry.js';
import type { SkyGlow } from './_sky-glow.js';
import { type Collector, splat } from './_splat.js';
import type { StarField } from './_star-field.js';
import { type NightScenario, realExposure, type Shot } from './night-scenario.js';

/** What the light of one frame is made from. */
export interface FrameScene {
  readonly scenario: NightScenario;
  readonly shot: Shot;
  readonly geometry: FrameGeometry;
  readonly grid: LensGrid;
  readonly stars: StarField;
  readonly glow: SkyGlow;
  readonly land: LandLayer | undefined;
}

/** Which colour each site of the 2x2 pattern sees: the mosaic's own, or one colour everywhere for the truth pictures. */
export type Sites = readonly [0 | 1 | 2, 0 | 1 | 2, 0 | 1 | 2, 0 | 1 | 2];
export const MOSAIC_SITES: Sites = [0, 1, 1, 2];

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
const COMA = [
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
  for (let s = 0; s < stars.count; s++) {
    const x = stars.x[s]!;
    const y = stars.y[s]!;
    const z = stars.z[s]!;
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

const quadratic = (a: number, b: number, c: number, t: number): number =>
  a * (2 * t - 1) * (t - 1) + b * 4 * t * (1 - t) + c * t * (2 * t - 1);

function drawStars(scene: FrameScene, sites: Sites, to: Collector): void {
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

/** Draws aircraft, satellites and meteors. Steady light for a satellite, blinking for an aircraft, swelling for a meteor. */
function drawStreaks(scene: FrameScene, sites: Sites, to: Collector): void {
  const { scenario, shot } = scene;
  const convert = toCamera(scenario.camera);
  const light = new Float64Array(4);
  for (const streak of shot.streaks ?? []) {
    const length = Math.hypot(streak.x2 - streak.x1, streak.y2 - streak.y1);
    const ux = (streak.x2 - streak.x1) / length;
    const uy = (streak.y2 - streak.y1) / length;
    const spacing = 0.5;
    const spot = (
      at: number,
      side: number,
      strength: number,
      color: readonly [number, number, number],
      sigma: number,
    ) => {
      const camera = convert(color);
      for (let i = 0; i < 4; i++) light[i] = camera[sites[i]!]! * strength;
      splat(to, streak.x1 + ux * at - uy * side, streak.y1 + uy * at + ux * side, sigma, light);
    };
    const sigma = Math.hypot(scenario.lens.coreSigma, shot.defocus ?? 0);
    for (let at = 0; at <= length; at += spacing) {
      const tau = at / length;
      if (streak.kind === 'satellite') {
        const ends = Math.min(1, 12 * tau, 12 * (1 - tau));
        spot(at, 0, streak.brightness * spacing * ends, [1, 1, 1], sigma);
      } else if (streak.kind === 'meteor') {
        const swell = (tau * 1.9) ** 2 * Math.exp(-(((tau - 0.62) / 0.28) ** 2)) + 0.12 * tau * (1 - tau);
        const green = 1 - tau;
        spot(
          at,
          0,
          streak.brightness * spacing * swell * 1.6,
          [0.75 + 0.5 * tau, 1, 0.55 + 0.4 * green],
          sigma,
        );
      } else {
        spot(at, -1.3, streak.brightness * spacing * 0.5, [1.25, 0.95, 0.75], sigma);
        spot(at, 1.3, streak.brightness * spacing * 0.28, [2.2, 0.45, 0.35], sigma);
      }
    }
    if (streak.kind === 'aircraft') {
      for (let at = 9; at < length; at += 37) spot(at, 0, streak.brightness * 14, [1, 1, 1.1], sigma * 1.25);
    }
  }
}

/** Land's own colour by starlight, and under headlights: linear sRGB. */
const LAND_COLOR = [1.12, 1, 0.86] as const;
const HEADLIGHT_COLOR = [1.3, 1, 0.62] as const;

/** Sums up all light of a frame: electrons per pixel over the exposure, without any noise. */
export function collectLight(scene: FrameScene, sites: Sites = MOSAIC_SITES): Float32Array {
  const { scenario, shot, glow } = scene;
  const { width, height } = scenario.camera;
  const seconds = realExposure(shot);
  const to: Collector = { width, height, data: new Float32Array(width * height) };
  drawStars(scene, sites, to);
  drawStreaks(scene, sites, to);
  const land = scene.land && shot.shake ? smearLayer(scene.land, width, height, shakePath(shot)) : scene.land;
  const convert = toCamera(scenario.camera);
  const unit = naturalSky(scenario) * seconds;
  // Starlit land follows the sky above it: the mean level of the sky relative to a natural one, half of it.
  const landLight = convert(LAND_COLOR).map(
    (value) => value * unit * scenario.land.brightness * landIllumination(scene),
  );
  const lamp = convert(HEADLIGHT_COLOR).map((value) => value * unit * (shot.headlights ?? 0));
  const colors = [glow.red, glow.green, glow.blue] as const;
  const { columns } = glow;
  const { data } = to;
  for (let y = 0; y < height; y++) {
    const gy = Math.floor(y / GRID_STEP);
    const v = y / GRID_STEP - gy;
    const even = sites[(y & 1) << 1]!;
    const odd = sites[((y & 1) << 1) + 1]!;
    const rowA = gy * columns;
    const rowB = rowA + columns;
    for (let x = 0; x < width; x++) {
      const k = y * width + x;
      const color = (x & 1) === 0 ? even : odd;
      const values = colors[color];
      const gx = (x / GRID_STEP) | 0;
      const u = x / GRID_STEP - gx;
      const a = values[rowA + gx]! * (1 - u) + values[rowA + gx + 1]! * u;
      const b = values[rowB + gx]! * (1 - u) + values[rowB + gx + 1]! * u;
      let value = (a + (b - a) * v) * seconds + data[k]!;
      if (land !== undefined) {
        const cover = land.cover[k]!;
        if (cover > 0)
          value = value * (1 - cover) + land.ambient[k]! * landLight[color]! + land.beam[k]! * lamp[color]!;
      }
      data[k] = value;
    }
  }
  return data;
}

/** How strongly the sky lights the land, 1 = a natural night. */
function landIllumination({ glow, scenario, grid }: FrameScene): number {
  const unit = naturalSky(scenario);
  let sum = 0;
  let weight = 0;
  for (let k = 0; k < glow.green.length; k += 7) {
    sum += glow.green[k]!;
    weight += grid.surface[k]!;
  }
  return Math.max(0.5, 0.35 + (0.5 * sum) / Math.max(1e-9, weight) / unit);
}

export function shakePath(shot: Shot): [number, number][] {
  return Array.from({ length: 24 }, (_, i) => shakeOffset(shot, (i + 0.5) / 24));
}

/** Light of an even panel for a flat: electrons per pixel that fill `level` of the white level in green on the axis. */
export function collectFlat(scene: Pick<FrameScene, 'scenario' | 'grid'>, electrons: number): Float32Array {
  const { scenario, grid } = scene;
  const { width, height } = scenario.camera;
  const panel = toCamera(scenario.camera)([0.95, 1, 1.1]);
  const data = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const color = MOSAIC_SITES[((y & 1) << 1) + (x & 1)]!;
      data[y * width + x] = electrons * panel[color]! * onGrid(grid, grid.surface, x, y);
    }
  }
  return data;
}
