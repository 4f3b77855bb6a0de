import { gaussian, type Random, seededRandom } from '../../src/core/index.js';
import { spreadPeaks } from '../../src/nights/_peaks.js';
import type { FrameGlimpse } from '../../src/nights/index.js';

/** A direction, unit length. */
type Vec = readonly [number, number, number];
type Rotation = readonly [Vec, Vec, Vec];

const LOCAL: Rotation = [
  [1, 0, 0],
  [0, 1, 0],
  [0, 0, 1],
];

const cross = (a: Vec, b: Vec): Vec => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
const dot = (a: Vec, b: Vec): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

/** Turns v about the unit axis k by an angle (Rodrigues' formula). */
function turn(v: Vec, k: Vec, angle: number): Vec {
  const c = Math.cos(angle);
  const s = Math.sin(angle);
  const kv = cross(k, v);
  const d = dot(k, v) * (1 - c);
  return [v[0] * c + kv[0] * s + k[0] * d, v[1] * c + kv[1] * s + k[1] * d, v[2] * c + kv[2] * s + k[2] * d];
}

/** Where a camera on its tripod points: azimuth and altitude of the middle of its frame, deg, and its roll. */
export interface Pointing {
  readonly azimuth: number;
  readonly altitude: number;
  readonly roll: number;
}

/** Right, down and forward of a camera in local axes (x east, y north, z up). */
function axesOf({ azimuth, altitude, roll }: Pointing): Rotation {
  const a = (azimuth * Math.PI) / 180;
  const h = (altitude * Math.PI) / 180;
  const forward: Vec = [Math.sin(a) * Math.cos(h), Math.cos(a) * Math.cos(h), Math.sin(h)];
  const level: Vec = [Math.cos(a), -Math.sin(a), 0];
  const right = turn(level, forward, (roll * Math.PI) / 180);
  return [right, cross(forward, right), forward];
}

/** The night sky and the land about one site. */
export interface Sky {
  readonly stars: readonly { readonly at: Vec; readonly brightness: number }[];
  readonly pole: Vec;
  /** Height of the land at an azimuth, deg. */
  readonly horizon: (azimuth: number) => number;
  /** Land and falloff of the pointings seen so far. */
  readonly scenes: Map<string, Scene>;
}

/** The light of each pixel of a thumbnail as a share of the sky level. */
interface Scene {
  readonly width: number;
  readonly height: number;
  readonly share: Float32Array;
}

/** Stars all over the sphere, steeply fewer bright ones, and a hilly horizon. */
export function makeSky(seed: number, latitude: number): Sky {
  const random = seededRandom(seed);
  const stars = Array.from({ length: 3000 }, () => {
    const z = 2 * random() - 1;
    const a = 2 * Math.PI * random();
    const r = Math.sqrt(1 - z * z);
    return { at: [r * Math.cos(a), r * Math.sin(a), z] as Vec, brightness: (1 - random()) ** -0.7 };
  });
  const phase = [random() * 6, random() * 6, random() * 6];
  const lat = (latitude * Math.PI) / 180;
  return {
    stars,
    pole: [0, Math.cos(lat), Math.sin(lat)],
    scenes: new Map(),
    horizon: (azimuth) => {
      const a = (azimuth * Math.PI) / 180;
      return (
        6 +
        4 * Math.sin(3 * a + phase[0]!) +
        3 * Math.sin(11 * a + phase[1]!) +
        1.5 * Math.sin(29 * a + phase[2]!)
      );
    },
  };
}

export interface View {
  readonly pointing: Pointing;
  readonly width: number;
  readonly height: number;
  readonly focalPx: number;
  /** s since the sky was made. */
  readonly seconds: number;
  /** Sky level, fraction of white. */
  readonly level: number;
  /** Share of the stars that come through, 1 clear, 0 overcast. */
  readonly clear: number;
  /** Half-light diameter of the stars, px. */
  readonly starSize: number;
  /** Level of the land as a share of the sky's. */
  readonly land: number;
}

/** What the quick look would see of a view of the sky. */
export function seeSky(sky: Sky, view: View, random: Random): FrameGlimpse {
  const angle = (2 * Math.PI * view.seconds) / 86_164.0905;
  // The sky turns one way; seen from it, the camera turns the other way.
  const [right, down, forward] = axesOf(view.pointing).map((axis) =>
    turn(axis, sky.pole, angle),
  ) as unknown as Rotation;
  const [east, north, up] = LOCAL.map((axis) => turn(axis, sky.pole, angle)) as unknown as Rotation;
  const peaks: { x: number; y: number; flux: number }[] = [];
  for (const { at, brightness } of sky.stars) {
    const z = dot(at, forward);
    if (z < 0.2) continue;
    const x = view.width / 2 + (view.focalPx * dot(at, right)) / z;
    const y = view.height / 2 + (view.focalPx * dot(at, down)) / z;
    if (x < 4 || y < 4 || x > view.width - 5 || y > view.height - 5) continue;
    const azimuth = (Math.atan2(dot(at, east), dot(at, north)) * 180) / Math.PI;
    if ((Math.asin(dot(at, up)) * 180) / Math.PI < sky.horizon(azimuth)) continue;
    // Cloud hides the faint ones first; one in twenty is missed anyhow.
    if (brightness * view.clear ** 0.7 < 1 || random() < 0.05) continue;
    peaks.push({
      x: x + 0.3 * gaussian(random),
      y: y + 0.3 * gaussian(random),
      flux: brightness * view.clear * (1 + 0.08 * gaussian(random)),
    });
  }
  peaks.sort((a, b) => b.flux - a.flux);
  const chosen = spreadPeaks(peaks, view, 60);
  return {
    ...levelsOf(view.level, random),
    unevenness: 0.8 + 0.3 * random(),
    starCount: peaks.length,
    thumbnail: thumbnailOf(sky, view, random),
    peaks: Float32Array.from(chosen.flatMap(({ x, y }) => [x, y])),
    ...(chosen.length >= 3 ? { sharpness: view.starSize * (1 + 0.02 * gaussian(random)) } : {}),
  };
}

function levelsOf(level: number, random: Random) {
  const median = level * (1 + 0.01 * gaussian(random));
  return { median, mean: 0.95 * median, high: 1.6 * median, scatter: 0.02 * level + 2e-4, clippedShare: 0 };
}

function thumbnailOf(sky: Sky, view: View, random: Random): FrameGlimpse['thumbnail'] {
  const { pointing, width, focalPx, land } = view;
  const key = [pointing.azimuth, pointing.altitude, pointing.roll, width, focalPx, land].join(' ');
  let scene = sky.scenes.get(key);
  if (!scene) {
    scene = sceneOf(sky, view);
    sky.scenes.set(key, scene);
  }
  // The noise of a thumbnail pixel is small and need not be normal.
  const data = scene.share.map((share) => view.level * share + 2e-4 * (random() - 0.5));
  return { width: scene.width, height: scene.height, data };
}

function sceneOf(sky: Sky, view: View): Scene {
  const scale = 64 / Math.max(view.width, view.height);
  const width = Math.round(view.width * scale);
  const height = Math.round(view.height * scale);
  const share = new Float32Array(width * height);
  const [right, down, forward] = axesOf(view.pointing);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const u = ((x + 0.5) / scale - view.width / 2) / view.focalPx;
      const v = ((y + 0.5) / scale - view.height / 2) / view.focalPx;
      const ray: Vec = [
        forward[0] + u * right[0] + v * down[0],
        forward[1] + u * right[1] + v * down[1],
        forward[2] + u * right[2] + v * down[2],
      ];
      const norm = Math.hypot(...ray);
      const altitude = (Math.asin(ray[2] / norm) * 180) / Math.PI;
      const azimuth = (Math.atan2(ray[0], ray[1]) * 180) / Math.PI;
      const falloff = 1 / (1 + u * u + v * v) ** 1.5;
      const glow = 1 + 0.5 * Math.exp(-Math.max(0, altitude) / 15);
      share[y * width + x] = falloff * (altitude < sky.horizon(azimuth) ? view.land : glow);
    }
  }
  return { width, height, share };
}

/** What the quick look would see with the cap on: nothing but a few defects side by side and a glow at one edge. */
export function seeDark(
  size: { readonly width: number; readonly height: number },
  level: number,
  random: Random,
) {
  const width = 64;
  const height = Math.round((64 * size.height) / size.width);
  const data = Float32Array.from({ length: width * height }, (_, i) => {
    const x = i % width;
    return level + 0.004 * Math.exp((x - width + 1) / 1.5) + 5e-5 * gaussian(random);
  });
  const count = Math.floor(random() * 3);
  const spots = seededRandom(7);
  const glimpse: FrameGlimpse = {
    ...levelsOf(level, random),
    median: level + 2e-5 * gaussian(random),
    mean: level,
    high: level + 1e-3,
    unevenness: 2,
    starCount: count,
    thumbnail: { width, height, data },
    peaks: Float32Array.from({ length: 2 * count }, (_, i) => spots() * (i % 2 ? size.height : size.width)),
  };
  return glimpse;
}

/** What the quick look would see of an evenly lit screen. */
export function seeFlat(
  size: { readonly width: number; readonly height: number },
  random: Random,
): FrameGlimpse {
  const width = 64;
  const height = Math.round((64 * size.height) / size.width);
  const level = 0.3 + 0.3 * random();
  const tilt = 0.03 * gaussian(random);
  const data = Float32Array.from({ length: width * height }, (_, i) => {
    const u = ((i % width) / width - 0.5) * 2;
    const v = (Math.floor(i / width) / width - (0.5 * height) / width) * 2;
    return level * (1 - 0.35 * (u * u + v * v)) * (1 + tilt * u) + 1e-3 * gaussian(random);
  });
  return {
    ...levelsOf(level, random),
    high: 1.1 * level,
    unevenness: 0.45,
    starCount: Math.floor(random() * 4),
    thumbnail: { width, height, data },
    peaks: new Float32Array(0),
  };
}

/** What the quick look would see of a daylight picture: bright, patchy. */
export function seeDay(
  size: { readonly width: number; readonly height: number },
  random: Random,
): FrameGlimpse {
  const width = 64;
  const height = Math.round((64 * size.height) / size.width);
  const [a, b, c] = [random() * 6, 2 + random() * 6, 2 + random() * 6];
  const data = Float32Array.from({ length: width * height }, (_, i) => {
    const x = (i % width) / width;
    const y = Math.floor(i / width) / height;
    return Math.max(
      0.02,
      0.35 + 0.25 * Math.sin(b * x * 3 + a) * Math.cos(c * y * 3) + 0.05 * gaussian(random),
    );
  });
  return {
    ...levelsOf(0.35, random),
    high: 0.8,
    clippedShare: 0.01,
    unevenness: 1.5,
    starCount: Math.floor(random() * 4),
    thumbnail: { width, height, data },
    peaks: new Float32Array(0),
  };
}
