import { degToRad, radToDeg } from '../src/core/index.js';
import {
  type Horizontal,
  moonIllumination,
  moonlight,
  moonPosition,
  nanolambertOf,
  sunPosition,
} from '../src/sky/index.js';
import { cloudDepth, cloudField } from './_clouds.js';
import { toCamera } from './_color.js';
import { direction, type FrameGeometry, transpose } from './_geometry.js';
import type { LensGrid } from './_lens-grid.js';
import { J2000_TO_GALACTIC, milkyWayGlow } from './_milky-way.js';
import { fractal2 } from './_noise.js';
import { airPath, naturalSky } from './_photometry.js';
import type { NightScenario, Shot } from './night-scenario.js';

/** A body's place as altitude and as a direction in east, north, up. */
function upward(place: Horizontal): { altitude: number; direction: readonly [number, number, number] } {
  const [north, east, up] = direction(place.azimuth, place.altitude);
  return { altitude: place.altitude, direction: [east, north, up] };
}

function angleTo(to: readonly [number, number, number], e: number, n: number, u: number): number {
  const cosine = (to[0] * e + to[1] * n + to[2] * u) / Math.hypot(e, n, u);
  return radToDeg(Math.acos(Math.min(1, Math.max(-1, cosine))));
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
  const sun = sky.sunAndMoon ? upward(sunPosition(date, scenario.site)) : undefined;
  const moon = sky.sunAndMoon ? upward(moonPosition(date, scenario.site)) : undefined;
  const naturalNanolambert = nanolambertOf(sky.brightness);
  const moonUp = moon !== undefined && moon.altitude > -0.5;
  const phaseAngle = moonUp ? moonIllumination(date).phaseAngle : 180;
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
    if (moonUp) {
      const lit = moonlight({
        phaseAngle,
        separation: angleTo(moon.direction, e, north, lift),
        moonZenithDistance: Math.min(90, 90 - moon.altitude),
        fieldZenithDistance: 90 - altitude,
        zenithBrightness: sky.brightness,
        extinction: sky.extinction[1],
      });
      const share = lit.moonNanolambert / naturalNanolambert;
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
