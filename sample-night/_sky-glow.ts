import { Body, Equator, Horizon, Illumination, Observer } from 'astronomy-engine';
import { degToRad, radToDeg } from '../src/core/index.js';
import { toCamera } from './_color.js';
import { type FrameGeometry, transpose } from './_geometry.js';
import { unproject } from './_lens.js';
import { J2000_TO_GALACTIC, milkyWayGlow } from './_milky-way.js';
import { fractal2, smoothStep } from './_noise.js';
import type { NightScenario, Shot } from './night-scenario.js';

/** Spacing of the coarse grid on which everything smooth is worked out, px. */
export const GRID_STEP = 6;

/** Directions in camera axes and falloff at the nodes of the coarse grid: depends on the lens only. */
export interface LensGrid {
  readonly columns: number;
  readonly rows: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly z: Float64Array;
  /** Light of a star that arrives, axis = 1: aperture seen from the side, and the lens's own vignetting. */
  readonly transmission: Float32Array;
  /** Light of an even surface that one pixel gets, axis = 1: `transmission` times the pixel's solid angle. */
  readonly surface: Float32Array;
}

/** Works out the grid of a lens. @source natural falloff: cosine of the aperture times solid angle, E. Hecht, Optics. */
export function lensGrid(scenario: NightScenario, geometry: FrameGeometry): LensGrid {
  const { width, height } = scenario.camera;
  const columns = Math.floor((width - 1) / GRID_STEP) + 2;
  const rows = Math.floor((height - 1) / GRID_STEP) + 2;
  const n = columns * rows;
  const x = new Float64Array(n);
  const y = new Float64Array(n);
  const z = new Float64Array(n);
  const transmission = new Float32Array(n);
  const surface = new Float32Array(n);
  const corner = Math.hypot(width, height) / 2;
  const { lens } = geometry;
  const a = new Float64Array(3);
  const b = new Float64Array(3);
  const c = new Float64Array(3);
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      const k = j * columns + i;
      const px = i * GRID_STEP;
      const py = j * GRID_STEP;
      unproject(lens, px, py, a);
      unproject(lens, px + 1, py, b);
      unproject(lens, px, py + 1, c);
      x[k] = a[0]!;
      y[k] = a[1]!;
      z[k] = a[2]!;
      const b0 = b[0]! - a[0]!;
      const b1 = b[1]! - a[1]!;
      const b2 = b[2]! - a[2]!;
      const c0 = c[0]! - a[0]!;
      const c1 = c[1]! - a[1]!;
      const c2 = c[2]! - a[2]!;
      const solid = Math.hypot(b1 * c2 - b2 * c1, b2 * c0 - b0 * c2, b0 * c1 - b1 * c0);
      const radius = Math.hypot(px - lens.centerX, py - lens.centerY) / corner;
      const mechanical = 1 - scenario.lens.vignetting * smoothStep(0, 1.6, radius) * 1.6;
      transmission[k] = Math.max(0, a[2]!) * Math.max(0.02, mechanical);
      surface[k] = transmission[k]! * solid * lens.focalLengthPx ** 2;
    }
  }
  return { columns, rows, x, y, z, transmission, surface };
}

/** Air passed through, in airmasses, from the sine of the apparent altitude. @source F. Kasten & A. T. Young, Applied Optics 28 (1989) 4735. */
export function airPath(sineOfAltitude: number): number {
  const altitude = Math.max(-0.5, radToDeg(Math.asin(Math.min(1, Math.max(-1, sineOfAltitude)))));
  return 1 / (Math.max(0, sineOfAltitude) + 0.50572 * (altitude + 6.07995) ** -1.6364);
}

/** Light of sun and moon in the air at one moment. */
interface BodyLight {
  readonly direction: readonly [number, number, number];
  readonly altitude: number;
  /** Moon only: its brightness, K&S eq. 20, and the extinction on its way. */
  readonly strength: number;
}

function bodyLight(scenario: NightScenario, body: Body, date: Date): BodyLight {
  const observer = new Observer(scenario.site.latitude, scenario.site.longitude, scenario.site.altitude);
  const place = Equator(body, date, observer, true, true);
  const seen = Horizon(date, observer, place.ra, place.dec, 'normal');
  const alt = degToRad(seen.altitude);
  const az = degToRad(seen.azimuth);
  let strength = 0;
  if (body === Body.Moon && seen.altitude > -0.5) {
    const phase = Illumination(body, date).phase_angle;
    strength =
      10 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase ** 4)) *
      10 ** (-0.4 * scenario.sky.extinction[1] * airPath(Math.sin(alt)));
  }
  return {
    direction: [Math.sin(az) * Math.cos(alt), Math.cos(az) * Math.cos(alt), Math.sin(alt)],
    altitude: seen.altitude,
    strength,
  };
}

/**
 * Moonlight scattered in the air, nanolambert. @source K. Krisciunas & B. E. Schaefer, PASP 103 (1991) 1033, eq. 3, 15, 16, 21.
 */
function moonGlow(moon: BodyLight, enu: readonly [number, number, number], extinction: number): number {
  const cosine = moon.direction[0] * enu[0] + moon.direction[1] * enu[1] + moon.direction[2] * enu[2];
  const away = radToDeg(Math.acos(Math.min(1, Math.max(-1, cosine))));
  const scatter = 10 ** 5.36 * (1.06 + cosine * cosine) + 10 ** (6.15 - away / 40);
  const air = 1 / Math.sqrt(1 - 0.96 * (1 - Math.max(0, enu[2]) ** 2));
  return scatter * moon.strength * (1 - 10 ** (-0.4 * extinction * air));
}

/** Smooth light of one frame's sky on the coarse grid. */
export interface SkyGlow {
  readonly columns: number;
  readonly rows: number;
  /** Electrons per pixel and second of a red, green, blue pixel, falloff included. */
  readonly red: Float32Array;
  readonly green: Float32Array;
  readonly blue: Float32Array;
  /** Share of starlight that cloud and dew let through. */
  readonly clear: Float32Array;
  /** Mean of the cloud's share over the visible sky (land left out). */
  readonly meanTransparency: number;
  readonly sunAltitude: number;
  readonly moonAltitude: number;
}

/** Depth of cloud at each node, unscaled: thicker where more. */
function cloudField(shot: Shot, time: number, seed: number, enu: Float64Array, n: number): Float32Array {
  const field = new Float32Array(n);
  const patch = shot.cloud?.patchiness ?? 0;
  for (let k = 0; k < n; k++) {
    const up = Math.max(0.12, enu[k * 3 + 2]!);
    const e = enu[k * 3]! / up + time * 0.0016;
    const north = enu[k * 3 + 1]! / up + time * 0.0007;
    const noise = fractal2(e * 1.7, north * 1.7, 5, seed);
    const veil = 0.35 + noise;
    const patches = 2.4 * smoothStep(0.44, 0.66, noise);
    field[k] = (1 - patch) * veil + patch * patches;
  }
  return field;
}

/** Thickness factor that makes the mean transparency come true over the nodes where `visible` is 1. */
function cloudDepth(field: Float32Array, visible: Uint8Array, wanted: number): number {
  const meanFor = (depth: number): number => {
    let sum = 0;
    let count = 0;
    for (let k = 0; k < field.length; k++) {
      if (visible[k] === 0) continue;
      sum += Math.exp(-depth * field[k]!);
      count++;
    }
    return count === 0 ? 1 : sum / count;
  };
  let low = 0;
  let high = 1;
  while (meanFor(high) > wanted && high < 500) high *= 2;
  for (let i = 0; i < 30; i++) {
    const middle = (low + high) / 2;
    if (meanFor(middle) > wanted) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/** Electrons per second that a neutral star of magnitude 0 gives a green pixel's kind on this camera. @source V band: 3640 Jy at 0 mag (M. S. Bessell, PASP 91 (1979) 589) = 1000 photons/s/cm^2/angstrom, 890 angstrom wide. */
export function electronsPerSecond(scenario: NightScenario): number {
  const aperture = scenario.lens.focalLengthMm / scenario.lens.fNumber / 10;
  return 1000 * 890 * (Math.PI / 4) * aperture * aperture * scenario.camera.efficiency;
}

/** Electrons per second and pixel on the axis of a natural zenith sky. */
export function naturalSky(scenario: NightScenario): number {
  const scale = (206.264806 * scenario.camera.pixelPitchUm) / scenario.lens.focalLengthMm;
  return electronsPerSecond(scenario) * 10 ** (-0.4 * scenario.sky.brightness) * scale * scale;
}

export interface GlowInput {
  readonly scenario: NightScenario;
  readonly shot: Shot;
  readonly geometry: FrameGeometry;
  readonly grid: LensGrid;
  /** 1 where a node shows sky. */
  readonly visible: Uint8Array;
  /** Moment of mid-exposure, s. */
  readonly time: number;
}

/** Works out the sky's smooth light and the cloud of one frame. */
export function skyGlow({ scenario, shot, geometry, grid, visible, time }: GlowInput): SkyGlow {
  const { columns, rows } = grid;
  const n = columns * rows;
  const m = geometry.camera;
  const back = transpose(geometry.skyAt(time));
  const g = J2000_TO_GALACTIC;
  const { sky } = scenario;
  const convert = toCamera(scenario.camera);
  const unit = naturalSky(scenario);
  const date = new Date(Date.parse(scenario.start) + time * 1000);
  const sun = sky.sunAndMoon ? bodyLight(scenario, Body.Sun, date) : undefined;
  const moon = sky.sunAndMoon ? bodyLight(scenario, Body.Moon, date) : undefined;
  // 34.08 exp(20.7233 - 0.92104 V): nanolambert of a surface brightness. @source Garstang 1989, eq. in K&S 1991.
  const naturalNanolambert = 34.08 * Math.exp(20.7233 - 0.92104 * sky.brightness);
  const twilight = sun && sun.altitude > -19 ? Math.min(3e4, 10 ** (-1 + (sun.altitude + 18) * 0.385)) : 0;
  const enu = new Float64Array(3 * n);
  for (let k = 0; k < n; k++) {
    const x = grid.x[k]!;
    const y = grid.y[k]!;
    const z = grid.z[k]!;
    enu[k * 3] = m[0]! * x + m[3]! * y + m[6]! * z;
    enu[k * 3 + 1] = m[1]! * x + m[4]! * y + m[7]! * z;
    enu[k * 3 + 2] = m[2]! * x + m[5]! * y + m[8]! * z;
  }
  const dewClear = 1 - (shot.dew?.loss ?? 0);
  const clear = new Float32Array(n).fill(dewClear);
  let meanTransparency = 1;
  if (shot.cloud) {
    const field = cloudField(shot, time, scenario.seed * 31 + 5, enu, n);
    const depth = cloudDepth(field, visible, shot.cloud.transparency);
    let sum = 0;
    let count = 0;
    for (let k = 0; k < n; k++) {
      const share = Math.exp(-depth * field[k]!);
      clear[k] = share * dewClear;
      if (visible[k] === 1) {
        sum += share;
        count++;
      }
    }
    meanTransparency = count === 0 ? 1 : sum / count;
  }
  const domes = sky.lightDomes.map((dome) => ({
    e: Math.sin(degToRad(dome.azimuth)),
    n: Math.cos(degToRad(dome.azimuth)),
    width: dome.width,
    strength: dome.strength,
  }));
  const red = new Float32Array(n);
  const green = new Float32Array(n);
  const blue = new Float32Array(n);
  const glow = new Float64Array(3);
  for (let k = 0; k < n; k++) {
    const e = enu[k * 3]!;
    const north = enu[k * 3 + 1]!;
    const up = enu[k * 3 + 2]!;
    const lift = Math.max(0.002, up);
    const air = airPath(up);
    const altitude = radToDeg(Math.asin(Math.min(1, lift)));
    const level = Math.sqrt(Math.max(1e-6, 1 - up * up));
    milkyWayGlow(
      g[0] * gx(back, e, north, up) + g[1] * gy(back, e, north, up) + g[2] * gz(back, e, north, up),
      g[3] * gx(back, e, north, up) + g[4] * gy(back, e, north, up) + g[5] * gz(back, e, north, up),
      g[6] * gx(back, e, north, up) + g[7] * gy(back, e, north, up) + g[8] * gz(back, e, north, up),
      glow,
    );
    // Airglow layer at 90 km seen aslant. @source P. J. van Rhijn, Publ. Groningen 31 (1921).
    const slant = 1 / Math.sqrt(1 - (1 - lift * lift) / 1.0283);
    const bands =
      1 +
      sky.airglowBands *
        (fractal2(
          (e / (lift + 0.15)) * 0.9 + time * 1e-4,
          (north / (lift + 0.15)) * 0.9,
          3,
          scenario.seed + 77,
        ) -
          0.5);
    const dim0 = 10 ** (-0.4 * sky.extinction[0] * air);
    const dim1 = 10 ** (-0.4 * sky.extinction[1] * air);
    const dim2 = 10 ** (-0.4 * sky.extinction[2] * air);
    const airglow = slant * bands * 1.1;
    let r = airglow * 0.93 * dim0 + sky.milkyWay * glow[0]! * dim0;
    let gr = airglow * 1.0 * dim1 + sky.milkyWay * glow[1]! * dim1;
    let b = airglow * 0.98 * dim2 + sky.milkyWay * glow[2]! * dim2;
    let town = 0;
    for (const dome of domes) {
      const toward = Math.acos(Math.min(1, Math.max(-1, (e * dome.e + north * dome.n) / level)));
      town += dome.strength * Math.exp(-((radToDeg(toward) / dome.width) ** 2)) * Math.exp(-altitude / 11);
    }
    r += town * 1.35;
    gr += town;
    b += town * 0.6;
    if (twilight > 0 && sun) {
      const side = Math.hypot(sun.direction[0], sun.direction[1]) || 1;
      const cosine = (e * sun.direction[0] + north * sun.direction[1]) / (level * side);
      const share = twilight * (0.4 + 1.8 * Math.exp(-altitude / 25) * (0.5 + 0.5 * cosine) ** 2);
      r += share * 0.65;
      gr += share * 0.9;
      b += share * 1.9;
    }
    if (moon && moon.strength > 0) {
      const share = moonGlow(moon, [e, north, lift], sky.extinction[1]) / naturalNanolambert;
      r += share * 0.9;
      gr += share;
      b += share * 1.25;
    }
    const through = clear[k]! / dewClear;
    const cloudLight = (1 - through) * (0.55 + 1.6 * town + 0.5 * twilight);
    const stray = shot.glare ?? 0;
    const lit = convert([
      r * through * dewClear + cloudLight + stray * 1.2 + (1 - dewClear) * 0.9,
      gr * through * dewClear + cloudLight + stray + (1 - dewClear) * 0.9,
      b * through * dewClear + cloudLight + stray * 0.7 + (1 - dewClear) * 0.9,
    ]);
    const scale = unit * grid.surface[k]!;
    red[k] = lit[0] * scale;
    green[k] = lit[1] * scale;
    blue[k] = lit[2] * scale;
  }
  return {
    columns,
    rows,
    red,
    green,
    blue,
    clear,
    meanTransparency,
    sunAltitude: sun?.altitude ?? Number.NaN,
    moonAltitude: moon?.altitude ?? Number.NaN,
  };
}

const gx = (m: readonly number[], e: number, n: number, u: number): number =>
  m[0]! * e + m[1]! * n + m[2]! * u;
const gy = (m: readonly number[], e: number, n: number, u: number): number =>
  m[3]! * e + m[4]! * n + m[5]! * u;
const gz = (m: readonly number[], e: number, n: number, u: number): number =>
  m[6]! * e + m[7]! * n + m[8]! * u;
