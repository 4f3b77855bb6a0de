import {
  type ColorImage,
  type FrameHeader,
  type FramePixels,
  type Mask,
  radToDeg,
} from '../src/core/index.js';
import { develop } from './_develop.js';
import { type FrameGeometry, orientationOf } from './_geometry.js';
import type { LandLayer } from './_land.js';
import { GRID_STEP, type LensGrid } from './_lens-grid.js';
import { collectLight } from './_light.js';
import type { FrameScene } from './_scene.js';
import type { SkyGlow } from './_sky-glow.js';
import { forEachStar, shakeShift, spotSigma } from './_star-light.js';
import { gainOf, type NightScenario, realExposure, type Shot } from './night-scenario.js';

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

/** The default ISO 8601 wall clock of a camera set to an offset. */
function wallClock(
  ms: number,
  offsetMinutes: number,
  wholeSeconds = false,
): { wallTime: string; subSecond?: number } {
  const local = new Date(Math.floor(ms + offsetMinutes * 60_000));
  const wallTime = local.toISOString().slice(0, 19);
  return wholeSeconds ? { wallTime } : { wallTime, subSecond: local.getUTCMilliseconds() / 1000 };
}

export function headerOf(scenario: NightScenario, shot: Shot, fileNumber?: number): FrameHeader {
  const { camera, lens } = scenario;
  const ms = Date.parse(scenario.start) + (shot.time + (scenario.clockError ?? 0)) * 1000;
  const jpeg = scenario.output === 'jpeg';
  return {
    format: jpeg ? 'jpeg' : 'dng',
    formatName: jpeg ? 'JPEG' : 'DNG',
    ...wallClock(ms, scenario.site.utcOffsetMinutes, scenario.wholeSeconds),
    utcOffsetMinutes: scenario.site.utcOffsetMinutes,
    exposureTime: shot.exposureTime,
    iso: shot.iso,
    ...(lens.headerFNumber === undefined ? {} : { fNumber: lens.headerFNumber }),
    ...(!lens.headerFocalLengthMm ? {} : { focalLengthMm: lens.headerFocalLengthMm }),
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

/** Which nodes of the coarse grid show sky: above the horizon and not behind land. */
export function skyNodes(
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

export function landMask(scenario: NightScenario, land: LandLayer | undefined): Mask {
  const { width, height } = scenario.camera;
  const data = new Uint8Array(width * height);
  if (land) for (let k = 0; k < data.length; k++) data[k] = land.cover[k]! > 0.5 ? 1 : 0;
  return { width, height, data };
}

export function noiseFree(scene: FrameScene): ColorImage {
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

export function trueStars(scene: FrameScene, minFlux: number): TrueStars {
  const { scenario, shot, land } = scene;
  const { width, height } = scenario.camera;
  const gain = gainOf(scenario, shot);
  const rows: number[][] = [];
  const shift = shakeShift(shot);
  forEachStar(scene, ({ path: p, electrons, index }) => {
    const flux = electrons[1]! / gain;
    if (flux < minFlux) return;
    // The mean of a short arc lies beside its middle point by a third of the sagitta: Simpson's rule.
    const x = (p[0]! + 4 * p[2]! + p[4]!) / 6 + shift[0];
    const y = (p[1]! + 4 * p[3]! + p[5]!) / 6 + shift[1];
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

export function asPixels(scenario: NightScenario, raw: Uint16Array): FramePixels {
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

/** The smooth light of a frame's sky on a coarse grid, lens falloff undone: what a perfect background would find. */
export interface SmoothSky {
  /** px between nodes; node (i, j) is pixel (i*step, j*step). */
  readonly step: number;
  readonly columns: number;
  readonly rows: number;
  /** f32[3*rows*columns], camera colours, ADU above black: all of it, the Milky Way's share, and that of the airglow's bands. */
  readonly sky: Float32Array;
  readonly milkyWay: Float32Array;
  readonly airglowBands: Float32Array;
}

/** @param dark the same sky without the Milky Way; `plain` without the bands of airglow either */
export function smoothSky(scene: FrameScene, dark: SkyGlow, plain: SkyGlow): SmoothSky {
  const { grid, shot, scenario, glow } = scene;
  const n = grid.columns * grid.rows;
  const sky = new Float32Array(3 * n);
  const milkyWay = new Float32Array(3 * n);
  const airglowBands = new Float32Array(3 * n);
  const seconds = realExposure(shot) / gainOf(scenario, shot);
  (['red', 'green', 'blue'] as const).forEach((color, c) => {
    for (let k = 0; k < n; k++) {
      const scale = seconds / grid.surface[k]!;
      sky[c * n + k] = glow[color][k]! * scale;
      milkyWay[c * n + k] = (glow[color][k]! - dark[color][k]!) * scale;
      airglowBands[c * n + k] = (dark[color][k]! - plain[color][k]!) * scale;
    }
  });
  return { step: GRID_STEP, columns: grid.columns, rows: grid.rows, sky, milkyWay, airglowBands };
}
