import { degToRad, radToDeg, seededRandom } from '../src/core/index.js';
import type { FrameGeometry } from './_geometry.js';
import { GRID_STEP, type LensGrid } from './_lens-grid.js';
import { fractal2, hash, smoothStep } from './_noise.js';
import type { NightScenario } from './night-scenario.js';

/** The land all around as a picture in azimuth and altitude, finer than the camera sees it. */
export interface Panorama {
  readonly width: number;
  readonly height: number;
  /** Azimuth of the first column relative to the pointing, altitude of the first row (rows go up), and spacing, deg. */
  readonly firstAzimuth: number;
  readonly firstAltitude: number;
  readonly step: number;
  /** 1 = land. */
  readonly cover: Float32Array;
  /** Reflectance, about 1. */
  readonly albedo: Float32Array;
  /** Response to headlights. */
  readonly beam: Float32Array;
}

/** Highest altitude anything on land reaches above the skyline, deg. */
const HEADROOM = 13;

const wrap = (azimuth: number): number => ((((azimuth + 180) % 360) + 360) % 360) - 180;

/** Paints the land. Deterministic in the scenario's seed. */
export function paintPanorama(
  scenario: NightScenario,
  geometry: FrameGeometry,
  grid: LensGrid,
): Panorama | undefined {
  const { land } = scenario;
  if (land.kind === 'none') return undefined;
  let lowest = 90;
  let left = 180;
  let right = -180;
  const top = land.skyline + HEADROOM;
  const node = nodeAngles(scenario, geometry, grid);
  for (let k = 0; k < node.altitude.length; k++) {
    lowest = Math.min(lowest, node.altitude[k]!);
    if (node.altitude[k]! > top) continue;
    left = Math.min(left, node.azimuth[k]!);
    right = Math.max(right, node.azimuth[k]!);
  }
  if (left > right) return undefined;
  left = Math.max(-180, left - 5);
  right = Math.min(180, right + 5);
  lowest = Math.max(-60, lowest - 4);
  const scale = radToDeg(1 / geometry.lens.focalLengthPx);
  const step = Math.max(0.6 * scale, (right - left) / 5000);
  const width = Math.ceil((right - left) / step) + 1;
  const height = Math.ceil((top - lowest) / step) + 1;
  const panorama: Panorama = {
    width,
    height,
    firstAzimuth: left,
    firstAltitude: lowest,
    step,
    cover: new Float32Array(width * height),
    albedo: new Float32Array(width * height),
    beam: new Float32Array(width * height),
  };
  paintGround(panorama, scenario);
  paintTrees(panorama, scenario);
  if (land.mastOffset !== undefined) paintMast(panorama, scenario, land.mastOffset);
  return panorama;
}

/** Skylines of the far range and the near ground, deg, at an azimuth relative to the pointing. */
function skylines(scenario: NightScenario, azimuth: number): { far: number; near: number } {
  const { land, seed } = scenario;
  const rough = { none: 0, plain: 0.5, hills: 2.2, mountains: 6 }[land.kind];
  const slow = fractal2(azimuth / 17 + 40, 3, 3, seed + 11) - 0.5;
  const detail = fractal2(azimuth / 2.2 + 400, 9, 5, seed + 12) - 0.5;
  const crag = 1 - 2 * Math.abs(fractal2(azimuth / 8 + 90, 5, 6, seed + 13) - 0.5);
  const far =
    land.skyline +
    rough * (land.kind === 'mountains' ? 1.3 * slow + 1.1 * (crag - 0.7) : 1.8 * slow) +
    0.16 * rough * detail;
  const near =
    land.skyline * 0.78 - 0.6 + 0.7 * (fractal2(azimuth / 11 + 7, 1, 4, seed + 14) - 0.5) * (1 + rough * 0.5);
  return { far: Math.max(far, near + 0.15), near };
}

function paintGround(p: Panorama, scenario: NightScenario): void {
  const { seed } = scenario;
  const beamAzimuth = p.firstAzimuth + p.width * p.step * 0.62;
  for (let i = 0; i < p.width; i++) {
    const azimuth = p.firstAzimuth + i * p.step;
    const { far, near } = skylines(scenario, azimuth);
    const sine = Math.sin(degToRad(azimuth));
    const cosine = Math.cos(degToRad(azimuth));
    for (let j = 0; j < p.height; j++) {
      const altitude = p.firstAltitude + j * p.step;
      if (altitude > far) break;
      const k = j * p.width + i;
      p.cover[k] = 1;
      if (altitude > near) {
        const gully = fractal2(azimuth * 1.5, altitude * 1.1 + azimuth * 0.4, 4, seed + 21);
        p.albedo[k] = Math.max(0.15, 0.75 + 2.2 * (gully - 0.48));
        p.beam[k] = 0;
        continue;
      }
      const away = 1 / (0.06 + degToRad(near - altitude));
      const x = away * sine;
      const y = away * cosine;
      const soil = fractal2(x * 1.6, y * 1.1, 4, seed + 22);
      const bush = smoothStep(0.52, 0.6, fractal2(x * 2.6 + 50, y * 1.7, 3, seed + 23));
      const stone = smoothStep(0.66, 0.72, fractal2(x * 7 + 20, y * 4, 2, seed + 24));
      const albedo = Math.max(0.12, (0.55 + 1.5 * (soil - 0.4)) * (1 - 0.68 * bush) + 0.9 * stone);
      p.albedo[k] = albedo;
      p.beam[k] = albedo * Math.exp(-(((azimuth - beamAzimuth) / 11) ** 2)) * Math.min(1, 0.25 + away / 14);
    }
  }
}

/** Marks a cell as part of something dark that stands in front. */
function stand(p: Panorama, i: number, j: number, albedo: number, beam: number): void {
  if (i < 0 || j < 0 || i >= p.width || j >= p.height) return;
  const k = j * p.width + i;
  p.cover[k] = 1;
  p.albedo[k] = albedo;
  p.beam[k] = beam;
}

/** A straight limb, deg, tapering. */
function limb(
  p: Panorama,
  from: readonly [number, number],
  to: readonly [number, number],
  wide: number,
  albedo: number,
): void {
  const length = Math.hypot(to[0] - from[0], to[1] - from[1]);
  const steps = Math.max(1, Math.ceil((length / p.step) * 1.5));
  for (let s = 0; s <= steps; s++) {
    const t = s / steps;
    const ci = (from[0] + (to[0] - from[0]) * t - p.firstAzimuth) / p.step;
    const cj = (from[1] + (to[1] - from[1]) * t - p.firstAltitude) / p.step;
    const half = Math.max(0.5, ((wide * (1 - 0.55 * t)) / p.step) * 0.5);
    for (let j = Math.round(cj - half); j <= cj + half; j++) {
      for (let i = Math.round(ci - half); i <= ci + half; i++) stand(p, i, j, albedo, albedo * 0.5);
    }
  }
}

function paintTrees(p: Panorama, scenario: NightScenario): void {
  const random = seededRandom(hash(scenario.seed, 991));
  const span = p.width * p.step;
  for (let n = 0; n < scenario.land.trees; n++) {
    const azimuth = p.firstAzimuth + span * ((n + 0.15 + 0.7 * random()) / scenario.land.trees);
    const { near } = skylines(scenario, azimuth);
    const foot = near - 0.4 - 1.4 * random();
    const tall = 2 + 5 * random() ** 1.5;
    const lean = (random() - 0.5) * 0.25 * tall;
    const fork: [number, number] = [azimuth + lean * 0.5, foot + tall * 0.45];
    limb(p, [azimuth, foot], fork, 0.09 * tall, 0.2);
    const tufts = 9 + Math.floor(random() * 8);
    for (let t = 0; t < tufts; t++) {
      // A flat, wide crown as trees of dry country have.
      const angle = Math.PI * random();
      const reach = tall * (0.22 + 0.36 * random());
      const tip: [number, number] = [
        fork[0] + lean * 0.5 + Math.cos(angle) * reach * 1.15,
        fork[1] + tall * 0.12 + Math.sin(angle) * reach * 0.72,
      ];
      limb(p, fork, tip, 0.035 * tall, 0.2);
      tuft(p, tip, tall * (0.09 + 0.1 * random()), hash(scenario.seed, n, t));
    }
  }
}

/** Leaves: a ragged blob with holes. */
function tuft(
  p: Panorama,
  [azimuth, altitude]: readonly [number, number],
  radius: number,
  seed: number,
): void {
  const reach = Math.ceil((radius * 1.7) / p.step);
  const ci = Math.round((azimuth - p.firstAzimuth) / p.step);
  const cj = Math.round((altitude - p.firstAltitude) / p.step);
  for (let dj = -reach; dj <= reach; dj++) {
    for (let di = -reach; di <= reach; di++) {
      const u = (di * p.step) / (radius * 1.5);
      const v = (dj * p.step) / radius;
      const noise = fractal2(u * 3 + 17, v * 3 + 5, 4, seed & 0xffff);
      if (Math.hypot(u, v) + 1.5 * (noise - 0.5) < 0.85) {
        stand(p, ci + di, cj + dj, 0.14 + 0.22 * noise, 0.5 * noise);
      }
    }
  }
}

/** A lattice mast with cross-bars and a stay on each side. */
function paintMast(p: Panorama, scenario: NightScenario, azimuth: number): void {
  const foot = skylines(scenario, azimuth).near - 0.8;
  const tall = 8.5;
  const half = 0.24;
  const thin = 0.035;
  for (const side of [-1, 1]) {
    limb(p, [azimuth + side * half, foot], [azimuth + side * half * 0.35, foot + tall], 0.08, 0.3);
    limb(p, [azimuth + side * 3.6, foot - 0.6], [azimuth, foot + tall * 0.8], thin, 0.25);
  }
  for (let s = 0; s < 12; s++) {
    const low = foot + (tall * s) / 12;
    const high = foot + (tall * (s + 1)) / 12;
    const wideLow = half * (1 - (0.65 * s) / 12);
    const wideHigh = half * (1 - (0.65 * (s + 1)) / 12);
    const side = s % 2 === 0 ? 1 : -1;
    limb(p, [azimuth - side * wideLow, low], [azimuth + side * wideHigh, high], thin * 1.4, 0.3);
  }
}

/** Land as one framing sees it, one value a pixel of the sensor. */
export interface LandLayer {
  /** Share of the pixel that is land, 0..1. */
  readonly cover: Float32Array;
  /** Light in units of the land's brightness and of a full headlight, lens falloff included. */
  readonly ambient: Float32Array;
  readonly beam: Float32Array;
}

function nodeAngles(scenario: NightScenario, geometry: FrameGeometry, grid: LensGrid) {
  const n = grid.columns * grid.rows;
  const azimuth = new Float64Array(n);
  const altitude = new Float64Array(n);
  const m = geometry.camera;
  for (let k = 0; k < n; k++) {
    const x = grid.x[k]!;
    const y = grid.y[k]!;
    const z = grid.z[k]!;
    const e = m[0]! * x + m[3]! * y + m[6]! * z;
    const north = m[1]! * x + m[4]! * y + m[7]! * z;
    const up = m[2]! * x + m[5]! * y + m[8]! * z;
    azimuth[k] = wrap(radToDeg(Math.atan2(e, north)) - scenario.pointing.azimuth);
    altitude[k] = radToDeg(Math.atan2(up, Math.hypot(e, north)));
  }
  return { azimuth, altitude };
}

/** Looks at the panorama through the camera. */
export function landLayer(
  scenario: NightScenario,
  panorama: Panorama,
  geometry: FrameGeometry,
  grid: LensGrid,
): LandLayer {
  const { width, height } = scenario.camera;
  const layer: LandLayer = {
    cover: new Float32Array(width * height),
    ambient: new Float32Array(width * height),
    beam: new Float32Array(width * height),
  };
  const { azimuth, altitude } = nodeAngles(scenario, geometry, grid);
  const top = panorama.firstAltitude + (panorama.height - 1) * panorama.step;
  const inv = 1 / panorama.step;
  for (let gj = 0; gj + 1 < grid.rows; gj++) {
    for (let gi = 0; gi + 1 < grid.columns; gi++) {
      const k = gj * grid.columns + gi;
      const corners = [k, k + 1, k + grid.columns, k + grid.columns + 1];
      if (corners.every((c) => altitude[c]! > top)) continue;
      const base = azimuth[k]!;
      const az = corners.map((c) => base + wrap(azimuth[c]! - base));
      const alt = corners.map((c) => altitude[c]!);
      const fall = corners.map((c) => grid.surface[c]!);
      const endX = Math.min(width, (gi + 1) * GRID_STEP);
      const endY = Math.min(height, (gj + 1) * GRID_STEP);
      for (let y = gj * GRID_STEP; y < endY; y++) {
        const v = y / GRID_STEP - gj;
        for (let x = gi * GRID_STEP; x < endX; x++) {
          const u = x / GRID_STEP - gi;
          const a = (az[0]! * (1 - u) + az[1]! * u) * (1 - v) + (az[2]! * (1 - u) + az[3]! * u) * v;
          const h = (alt[0]! * (1 - u) + alt[1]! * u) * (1 - v) + (alt[2]! * (1 - u) + alt[3]! * u) * v;
          if (h > top) continue;
          const f = (fall[0]! * (1 - u) + fall[1]! * u) * (1 - v) + (fall[2]! * (1 - u) + fall[3]! * u) * v;
          const ci = Math.min(panorama.width - 1.001, Math.max(0, (a - panorama.firstAzimuth) * inv));
          const cj = Math.min(panorama.height - 1.001, Math.max(0, (h - panorama.firstAltitude) * inv));
          const i = Math.floor(ci);
          const j = Math.floor(cj);
          const s = ci - i;
          const t = cj - j;
          const q = j * panorama.width + i;
          const w00 = (1 - s) * (1 - t);
          const w01 = s * (1 - t);
          const w10 = (1 - s) * t;
          const w11 = s * t;
          const c00 = panorama.cover[q]! * w00;
          const c01 = panorama.cover[q + 1]! * w01;
          const c10 = panorama.cover[q + panorama.width]! * w10;
          const c11 = panorama.cover[q + panorama.width + 1]! * w11;
          const at = y * width + x;
          layer.cover[at] = c00 + c01 + c10 + c11;
          layer.ambient[at] =
            f *
            (c00 * panorama.albedo[q]! +
              c01 * panorama.albedo[q + 1]! +
              c10 * panorama.albedo[q + panorama.width]! +
              c11 * panorama.albedo[q + panorama.width + 1]!);
          layer.beam[at] =
            f *
            (c00 * panorama.beam[q]! +
              c01 * panorama.beam[q + 1]! +
              c10 * panorama.beam[q + panorama.width]! +
              c11 * panorama.beam[q + panorama.width + 1]!);
        }
      }
    }
  }
  return layer;
}

/** Smears a layer along the path of a shaken camera: the mean of copies shifted by each offset, px. */
export function smearLayer(
  layer: LandLayer,
  width: number,
  height: number,
  path: readonly (readonly [number, number])[],
): LandLayer {
  const smear = (source: Float32Array): Float32Array => {
    const out = new Float32Array(source.length);
    for (const [dx, dy] of path) {
      const sx = Math.round(dx);
      const sy = Math.round(dy);
      for (let y = 0; y < height; y++) {
        const from = Math.min(height - 1, Math.max(0, y - sy)) * width;
        for (let x = 0; x < width; x++) {
          out[y * width + x] = out[y * width + x]! + source[from + Math.min(width - 1, Math.max(0, x - sx))]!;
        }
      }
    }
    const share = 1 / path.length;
    for (let k = 0; k < out.length; k++) out[k] = out[k]! * share;
    return out;
  };
  return { cover: smear(layer.cover), ambient: smear(layer.ambient), beam: smear(layer.beam) };
}
