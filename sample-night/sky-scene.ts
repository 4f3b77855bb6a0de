import {
  type ColorImage,
  type FrameHeader,
  type FramePixels,
  type Mask,
  radToDeg,
} from '../src/core/index.js';
import { develop } from './_develop.js';
import {
  type FrameGeometry,
  frameGeometry,
  multiply,
  orientationOf,
  pixelToSky,
  starToPixel,
  transpose,
} from './_geometry.js';
import { type LandLayer, landLayer, type Panorama, paintPanorama } from './_land.js';
import { GRID_STEP, type LensGrid, lensGrid } from './_lens-grid.js';
import { collectFlat, collectLight, type FrameScene, forEachStar, shakePath, spotSigma } from './_light.js';
import { hash } from './_noise.js';
import { electronsPerSecond, naturalSky } from './_photometry.js';
import { makeSensor, readOut, type Sensor } from './_sensor.js';
import { skyGlow } from './_sky-glow.js';
import { type StarField, starField } from './_star-field.js';
import { gainOf, type NightScenario, realExposure, type Shot } from './night-scenario.js';
import { type FrameTruth, frameTruth, judge, type NightTruth, nightTruth } from './truth.js';

/** True stars of a frame, brightest first. */
export interface TrueStars {
  readonly count: number;
  /** Place of the flux's middle, px. */
  readonly x: Float64Array;
  readonly y: Float64Array;
  /** Total light in a plane of green pixels, ADU. */
  readonly flux: Float32Array;
  readonly magnitude: Float32Array;
  /** Row in the scenario's star field: the same star has the same row in every frame. */
  readonly row: Int32Array;
  /** Length and direction of the trail, px and deg in [0, 180), and the round sigma, px. */
  readonly trail: Float32Array;
  readonly angle: Float32Array;
  readonly sigma: Float32Array;
}

/** A frame that is worked out when asked for. */
export interface SimulatedFrame {
  readonly index: number;
  readonly shot: Shot;
  readonly header: FrameHeader;
  readonly truth: FrameTruth;
  /** Raw ADU, black still in, row-major: always the same for the same scenario. */
  readonly render: () => Uint16Array;
  /** The same frame as readers hand it over; a finished 8-bit picture brought back to linear where the scenario says JPEG. */
  readonly pixels: () => FramePixels;
  /** Sky and land without noise or defects, ADU above black, all three colours everywhere. */
  readonly noiseFree: () => ColorImage;
  /** 1 = land. */
  readonly landMask: () => Mask;
  /** Stars brighter than `minFlux` (ADU, default 20) on the sky part of the frame. */
  readonly stars: (minFlux?: number) => TrueStars;
}

/** A whole night, worked out lazily. */
export interface SimulatedNight {
  readonly scenario: NightScenario;
  readonly frames: readonly SimulatedFrame[];
  readonly truth: NightTruth;
  /** The place on frame `to` that shows the sky of (x, y) on frame `from`, at their mid-exposures. */
  readonly mapPoint: (from: number, to: number, x: number, y: number) => readonly [number, number];
}

/** The default ISO 8601 wall clock of a camera set to an offset. */
function wallClock(ms: number, offsetMinutes: number): { wallTime: string; subSecond: number } {
  const local = new Date(Math.floor(ms + offsetMinutes * 60_000));
  return { wallTime: local.toISOString().slice(0, 19), subSecond: local.getUTCMilliseconds() / 1000 };
}

export function headerOf(scenario: NightScenario, shot: Shot, fileNumber?: number): FrameHeader {
  const { camera, lens } = scenario;
  const ms = Date.parse(scenario.start) + (shot.time + (scenario.clockError ?? 0)) * 1000;
  const jpeg = scenario.output === 'jpeg';
  return {
    format: jpeg ? 'jpeg' : 'dng',
    formatName: jpeg ? 'JPEG' : 'DNG',
    ...wallClock(ms, scenario.site.utcOffsetMinutes),
    utcOffsetMinutes: scenario.site.utcOffsetMinutes,
    exposureTime: shot.exposureTime,
    iso: shot.iso,
    ...(lens.headerFNumber === undefined ? {} : { fNumber: lens.headerFNumber }),
    ...(lens.headerFocalLengthMm === undefined ? {} : { focalLengthMm: lens.headerFocalLengthMm }),
    cameraMake: camera.make,
    cameraModel: camera.model,
    camera: camera.model.startsWith(camera.make) ? camera.model : `${camera.make} ${camera.model}`,
    serial: camera.serial,
    lens: lens.model,
    orientation: orientationOf((shot.pointing ?? scenario.pointing).roll),
    width: camera.width,
    height: camera.height,
    pixelPitchUm: camera.pixelPitchUm,
    ...(fileNumber === undefined ? {} : { fileNumber }),
    warnings: [],
  };
}

/** Keeps the last few results of a costly function of a key. */
function remember<T>(size: number, make: (key: string) => T): (key: string) => T {
  const kept = new Map<string, T>();
  return (key) => {
    const found = kept.get(key);
    if (found !== undefined) return found;
    const made = make(key);
    kept.set(key, made);
    if (kept.size > size) kept.delete(kept.keys().next().value!);
    return made;
  };
}

function lazy<T>(make: () => T): () => T {
  let value: { readonly made: T } | undefined;
  return () => {
    value ??= { made: make() };
    return value.made;
  };
}

/** Circle that holds every star any light of the night may see. */
function skyCircle(scenario: NightScenario): { center: [number, number, number]; radius: number } {
  const { width, height } = scenario.camera;
  const axes: [number, number, number][] = [];
  let half = 0;
  const seen = scenario.shots.filter((shot) => shot.role === 'light' || shot.role === 'test');
  for (const shot of seen) {
    const geometry = frameGeometry(scenario, shot);
    const sky = geometry.skyAt(shot.time);
    const axis = pixelToSky(geometry, sky, (width - 1) / 2, (height - 1) / 2);
    axes.push(axis);
    if (axes.length > 1) continue;
    for (const [x, y] of [
      [0, 0],
      [width, 0],
      [0, height],
      [width, height],
    ] as const) {
      const v = pixelToSky(geometry, sky, x, y);
      half = Math.max(half, angleBetween(axis, v));
    }
  }
  const sum = [0, 1, 2].map((i) => axes.reduce((total, a) => total + a[i]!, 0));
  const norm = Math.hypot(sum[0]!, sum[1]!, sum[2]!) || 1;
  const center: [number, number, number] = [sum[0]! / norm, sum[1]! / norm, sum[2]! / norm];
  const spread = axes.reduce((most, a) => Math.max(most, angleBetween(center, a)), 0);
  return { center, radius: Math.min(180, half + spread + 3) };
}

const angleBetween = (a: readonly number[], b: readonly number[]): number =>
  radToDeg(Math.acos(Math.min(1, Math.max(-1, a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!))));

/** Magnitude at which a star is twice as strong as the noise of the pixels it lies on. */
function faintestWorthDrawing(scenario: NightScenario): number {
  if (scenario.sky.faintest !== undefined) return scenario.sky.faintest;
  const longest = scenario.shots.reduce(
    (most, shot) => (shot.role === 'light' ? Math.max(most, realExposure(shot)) : most),
    1,
  );
  const noise = Math.sqrt(9 * (naturalSky(scenario) * longest + scenario.camera.readNoise ** 2));
  return Math.min(12, -2.5 * Math.log10((2 * noise) / (electronsPerSecond(scenario) * longest)));
}

/** Builds a night. Cheap: stars, sensor, land and frames are worked out when first needed. */
export function simulateNight(scenario: NightScenario): SimulatedNight {
  const field = lazy<StarField>(() =>
    starField(scenario.camera, skyCircle(scenario), faintestWorthDrawing(scenario)),
  );
  const sensor = lazy<Sensor>(() => makeSensor(scenario));
  const geometries = remember(64, (key) => frameGeometry(scenario, scenario.shots[Number(key)]!));
  const gridFor = remember(2, (scale): LensGrid => {
    const shot = { ...scenario.shots[0]!, scale: Number(scale) };
    return lensGrid(scenario, frameGeometry(scenario, shot));
  });
  const grid = (shot: Shot) => gridFor(String(shot.scale ?? 1));
  const panorama = lazy<Panorama | undefined>(() => {
    const base: Shot = { ...scenario.shots[0]!, role: 'light', scale: 1 };
    const { head: _head, pointing: _pointing, ...plain } = base;
    const geometry = frameGeometry(scenario, plain);
    return paintPanorama(scenario, geometry, grid(plain));
  });
  const framing = (shot: Shot) => JSON.stringify([shot.head, shot.pointing, shot.scale]);
  const layers = remember(2, (key): LandLayer | undefined => {
    const shot = scenario.shots.find((candidate) => framing(candidate) === key)!;
    const land = panorama();
    return land && landLayer(scenario, land, frameGeometry(scenario, shot), grid(shot));
  });
  const visibleNodes = remember(2, (key): Uint8Array => {
    const shot = scenario.shots.find((candidate) => framing(candidate) === key)!;
    return skyNodes(scenario, frameGeometry(scenario, shot), grid(shot), layers(key));
  });
  const scenes = remember(1, (key): FrameScene => {
    const shot = scenario.shots[Number(key)]!;
    const geometry = geometries(key);
    return {
      scenario,
      shot,
      geometry,
      grid: grid(shot),
      stars: field(),
      glow: skyGlow({
        scenario,
        shot,
        geometry,
        grid: grid(shot),
        visible: visibleNodes(framing(shot)),
        time: shot.time + realExposure(shot) / 2,
      }),
      land: layers(framing(shot)),
    };
  });
  const verdicts = lazy(() => judge(scenario));
  const frames = scenario.shots.map((shot, index): SimulatedFrame => {
    const scene = () => scenes(String(index));
    const render = (): Uint16Array => {
      const seconds = realExposure(shot);
      let light: Float32Array | undefined;
      if (shot.role === 'flat') {
        const full = (scenario.camera.whiteLevel - scenario.camera.blackLevel) * gainOf(scenario, shot);
        light = collectFlat({ scenario, grid: grid(shot) }, 0.42 * full);
      } else if (shot.role === 'light' || shot.role === 'test') {
        light = collectLight(scene());
      }
      return readOut(scenario, sensor(), { shot, seconds, light, seed: hash(scenario.seed, index, 555) });
    };
    return {
      index,
      shot,
      header: headerOf(scenario, shot),
      get truth() {
        return frameTruth({
          scenario,
          shot,
          index,
          geometry: geometries(String(index)),
          judged: verdicts()[index]!,
        });
      },
      render,
      pixels: () => asPixels(scenario, render()),
      noiseFree: () => noiseFree(scene()),
      landMask: () => landMask(scenario, layers(framing(shot))),
      stars: (minFlux = 20) => trueStars(scene(), minFlux),
    };
  });
  return {
    scenario,
    frames,
    get truth() {
      return nightTruth(scenario, frames, sensor());
    },
    mapPoint: (from, to, x, y) => {
      const a = scenario.shots[from]!;
      const b = scenario.shots[to]!;
      const ga = geometries(String(from));
      const gb = geometries(String(to));
      const [sx, sy, sz] = pixelToSky(ga, ga.skyAt(a.time + realExposure(a) / 2), x, y);
      const out = new Float64Array(3);
      starToPixel(gb, gb.skyAt(b.time + realExposure(b) / 2), sx, sy, sz, out);
      return [out[0]!, out[1]!];
    },
  };
}

/** Which nodes of the coarse grid show sky: above the horizon and not behind land. */
function skyNodes(
  scenario: NightScenario,
  geometry: FrameGeometry,
  grid: LensGrid,
  land: LandLayer | undefined,
): Uint8Array {
  const { width, height } = scenario.camera;
  const visible = new Uint8Array(grid.columns * grid.rows);
  const m = geometry.camera;
  for (let j = 0; j < grid.rows; j++) {
    for (let i = 0; i < grid.columns; i++) {
      const k = j * grid.columns + i;
      const x = i * GRID_STEP;
      const y = j * GRID_STEP;
      if (x >= width || y >= height) continue;
      const up = m[2]! * grid.x[k]! + m[5]! * grid.y[k]! + m[8]! * grid.z[k]!;
      if (up > 0 && !(land && land.cover[y * width + x]! > 0.5)) visible[k] = 1;
    }
  }
  return visible;
}

function landMask(scenario: NightScenario, land: LandLayer | undefined): Mask {
  const { width, height } = scenario.camera;
  const data = new Uint8Array(width * height);
  if (land) for (let k = 0; k < data.length; k++) data[k] = land.cover[k]! > 0.5 ? 1 : 0;
  return { width, height, data };
}

function noiseFree(scene: FrameScene): ColorImage {
  const { width, height } = scene.scenario.camera;
  const size = width * height;
  const data = new Float32Array(3 * size);
  const gain = gainOf(scene.scenario, scene.shot);
  for (const c of [0, 1, 2] as const) {
    const plane = collectLight(scene, [c, c, c, c]);
    for (let k = 0; k < size; k++) data[c * size + k] = plane[k]! / gain;
  }
  return { width, height, data };
}

function trueStars(scene: FrameScene, minFlux: number): TrueStars {
  const { scenario, shot, land } = scene;
  const { width, height } = scenario.camera;
  const gain = gainOf(scenario, shot);
  const rows: number[][] = [];
  const path = shot.shake ? shakePath(shot) : [];
  const shift = path.reduce(
    ([x, y], [dx, dy]) => [x + dx / path.length, y + dy / path.length] as [number, number],
    [0, 0],
  );
  forEachStar(scene, ({ path: p, electrons, index }) => {
    const flux = electrons[1]! / gain;
    if (flux < minFlux) return;
    // The mean of a short arc lies beside its middle point by a third of the sagitta: Simpson's rule.
    const x = (p[0]! + 4 * p[2]! + p[4]!) / 6 + shift[0]!;
    const y = (p[1]! + 4 * p[3]! + p[5]!) / 6 + shift[1]!;
    if (!(x >= 0 && y >= 0 && x <= width - 1 && y <= height - 1)) return;
    if (land && land.cover[Math.round(y) * width + Math.round(x)]! > 0.5) return;
    const dx = p[4]! - p[0]!;
    const dy = p[5]! - p[1]!;
    rows.push([
      x,
      y,
      flux,
      scene.stars.magnitude[index]!,
      index,
      Math.hypot(dx, dy),
      (radToDeg(Math.atan2(dy, dx)) + 360) % 180,
      spotSigma(scenario, shot, x, y),
    ]);
  });
  rows.sort((a, b) => b[2]! - a[2]!);
  const column = (c: number) => Float32Array.from(rows, (row) => row[c]!);
  return {
    count: rows.length,
    x: Float64Array.from(rows, (row) => row[0]!),
    y: Float64Array.from(rows, (row) => row[1]!),
    flux: column(2),
    magnitude: column(3),
    row: Int32Array.from(rows, (row) => row[4]!),
    trail: column(5),
    angle: column(6),
    sigma: column(7),
  };
}

/** Stops by which the simulated camera brightens its own JPEG. */
export const JPEG_STOPS = 3.5;

function asPixels(scenario: NightScenario, raw: Uint16Array): FramePixels {
  const { camera } = scenario;
  const { width, height, blackLevel, whiteLevel } = camera;
  const common = { width, height, decoder: 'simulated night', warnings: [] };
  if (scenario.output === 'jpeg') {
    const picture = develop(camera, raw, { stops: JPEG_STOPS, half: false });
    const size = width * height;
    const linear = Float32Array.from({ length: 256 }, (_, i) => {
      const v = i / 255;
      return 65535 * (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    });
    const data = new Float32Array(3 * size);
    for (let k = 0; k < size; k++) {
      for (let c = 0; c < 3; c++) data[c * size + k] = linear[picture.data[3 * k + c]!]!;
    }
    return {
      ...common,
      kind: 'color',
      data,
      blackLevel: [0],
      whiteLevel: [65535, 65535, 65535],
      quantization: 65535 / 255 / 12.92,
    };
  }
  const data = new Float32Array(raw.length);
  for (let k = 0; k < data.length; k++) data[k] = raw[k]! - blackLevel;
  const white = whiteLevel - blackLevel;
  return {
    ...common,
    kind: 'mosaic',
    data,
    cfa: { width: 2, height: 2, colors: [0, 1, 1, 2] },
    blackLevel: [blackLevel],
    whiteLevel: [white, white, white],
    quantization: 1,
    color: { multipliers: camera.multipliers, cameraToSrgb: camera.cameraToSrgb },
  };
}

/** Row-major rotation that takes directions in frame `from`'s camera axes to frame `to`'s, refraction left out. */
export function frameRotation(scenario: NightScenario, from: number, to: number): number[] {
  const matrices = [from, to].map((index) => {
    const shot = scenario.shots[index]!;
    const geometry = frameGeometry(scenario, shot);
    return { camera: geometry.camera, sky: geometry.skyAt(shot.time + realExposure(shot) / 2) };
  });
  const [a, b] = matrices as [(typeof matrices)[0], (typeof matrices)[0]];
  return multiply(multiply(b.camera, b.sky), multiply(transpose(a.sky), transpose(a.camera)));
}
