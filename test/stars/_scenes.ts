import {
  gaussian,
  type Mask,
  makeMask,
  makePlane,
  type Plane,
  poisson,
  type Random,
  seededRandom,
} from '../../src/core/index.js';

/** Seeded scenes with land whose true mask is known. */
export interface SceneOptions {
  readonly seed: number;
  readonly skyline: 'ridge' | 'trees' | 'tower' | 'none' | 'hardly-any-sky';
  readonly light: 'black' | 'lit';
  /** EXIF orientation the stored picture is turned by: 1 landscape, 6 and 8 portrait, 3 upside down. */
  readonly orientation: 1 | 3 | 6 | 8;
  readonly frames?: number;
  /** Stored size, px. */
  readonly width?: number;
  readonly height?: number;
}

export interface Scene {
  readonly planes: Plane[];
  readonly truth: Mask;
}

/** Smooth noise of one dimension: random values at knots, cosine between them, halved at each octave. */
function fractal(random: Random, knots: number, octaves: number): (t: number) => number {
  const layers = Array.from({ length: octaves }, (_, o) => {
    const count = knots * 2 ** o + 2;
    return Array.from({ length: count }, () => (random() - 0.5) / 2 ** o);
  });
  return (t) => {
    let sum = 0;
    layers.forEach((values, o) => {
      const at = t * knots * 2 ** o;
      const i = Math.min(values.length - 2, Math.max(0, Math.floor(at)));
      const f = (1 - Math.cos(Math.PI * Math.min(1, at - i))) / 2;
      sum += values[i]! * (1 - f) + values[i + 1]! * f;
    });
    return sum;
  };
}

/** First land row of each upright column; height = none. */
function skyline(random: Random, kind: SceneOptions['skyline'], width: number, height: number): Float64Array {
  const rows = new Float64Array(width).fill(height);
  if (kind === 'none') return rows;
  const base = kind === 'hardly-any-sky' ? 0.12 + 0.06 * random() : 0.6 + 0.25 * random();
  const relief = kind === 'hardly-any-sky' ? 0.06 : 0.12 + 0.15 * random();
  const shape = fractal(random, 3, 5);
  for (let x = 0; x < width; x++) rows[x] = height * (base + relief * shape(x / width));
  if (kind === 'trees') {
    for (let n = 0; n < width / 14; n++) {
      const cx = random() * width;
      const tall = height * (0.02 + 0.1 * random());
      const half = 4 + tall * (0.1 + 0.12 * random());
      for (let x = Math.max(0, Math.ceil(cx - half)); x < Math.min(width, cx + half); x++) {
        const top = height * base - tall * (1 - Math.abs(x - cx) / half);
        if (top < rows[x]!) rows[x] = top;
      }
    }
  }
  if (kind === 'tower') {
    for (let n = 0; n < 2; n++) {
      const left = Math.floor((0.1 + 0.7 * random()) * width);
      const wide = Math.floor(width * (0.02 + 0.06 * random()));
      const top = height * (base - 0.15 - 0.2 * random());
      for (let x = left; x < Math.min(width, left + wide); x++) rows[x] = Math.min(rows[x]!, top);
    }
  }
  return rows;
}

/** Makes the frames of a scene, each with the sky turned on, and the truth, as stored. */
export function makeScene(options: SceneOptions): Scene {
  const random = seededRandom(options.seed);
  const storedWidth = options.width ?? 900;
  const storedHeight = options.height ?? 600;
  const sideways = options.orientation === 6 || options.orientation === 8;
  const width = sideways ? storedHeight : storedWidth;
  const height = sideways ? storedWidth : storedHeight;
  const rows = skyline(random, options.skyline, width, height);
  const level = 200 + 600 * random();
  const glow = level * (0.2 + 1.2 * random());
  const glowReach = height * (0.1 + 0.2 * random());
  const bandAngle = random() * Math.PI;
  const bandAt = random() * 0.6 - 0.3;
  const cloudy = fractal(random, 4, 3);
  const land = options.light === 'black' ? 2 + 10 * random() : level * (0.25 + 0.9 * random());
  const texture = options.light === 'black' ? 0 : 0.15 + 0.3 * random();
  const across = fractal(random, 30, 4);
  const upDown = fractal(random, 40, 4);
  const sigma = 1.1 + 0.6 * random();
  const pole = { x: width * (random() * 3 - 1), y: -height * random() };
  const step = 0.004 + 0.01 * random();
  const starCount = Math.round(width * height * (0.0006 + 0.0015 * random()));
  const reach = Math.hypot(width, height);
  const stars = Array.from({ length: starCount * 9 }, () => ({
    x: (random() - 0.5) * 2.2 * reach + width / 2,
    y: (random() - 0.5) * 2.2 * reach + height / 2,
    flux: (60 * Math.sqrt(level) * 4) / (0.03 + random()) / 3,
  }));
  const glowAt = new Float64Array(height);
  const horizon = rows.reduce((sum, r) => sum + r, 0) / width;
  for (let y = 0; y < height; y++) glowAt[y] = glow * Math.exp(-Math.max(0, horizon - y) / glowReach);
  const still = makePlane(width, height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const u = (Math.cos(bandAngle) * (x - width / 2) + Math.sin(bandAngle) * (y - height / 2)) / reach;
      const v = (-Math.sin(bandAngle) * (x - width / 2) + Math.cos(bandAngle) * (y - height / 2)) / reach;
      const band = 0.35 * level * Math.exp(-(((u - bandAt) / 0.12) ** 2)) * (1 + 0.8 * cloudy(v + 0.5));
      const sky = level + band + glowAt[y]!;
      // Share of the pixel that is land: a lens and half a pixel soften the edge.
      const share = Math.max(0, Math.min(1, (y - rows[x]!) / 1.5 + 0.5));
      const ground =
        land *
        (1 +
          texture *
            2 *
            (across((x + 0.3 * y) / (width + height)) + upDown((y + 0.2 * x) / (width + height))));
      still.data[y * width + x] = sky * (1 - share) + Math.max(0, ground) * share;
    }
  }
  const count = options.frames ?? 5;
  const planes: Plane[] = [];
  for (let f = 0; f < count; f++) {
    const plane = { width, height, data: still.data.slice() };
    const angle = step * f;
    for (const star of stars) {
      const dx = star.x - pole.x;
      const dy = star.y - pole.y;
      const x = pole.x + Math.cos(angle) * dx - Math.sin(angle) * dy;
      const y = pole.y + Math.sin(angle) * dx + Math.cos(angle) * dy;
      const column = Math.round(x);
      if (column < 0 || column >= width || y < 0 || y >= height) continue;
      // Haze takes half of the light near the horizon.
      const haze = 1 - 0.6 * Math.exp(-Math.max(0, horizon - y) / (0.08 * height));
      for (let py = Math.max(0, Math.floor(y) - 6); py <= Math.min(height - 1, y + 6); py++) {
        for (let px = Math.max(0, Math.floor(x) - 6); px <= Math.min(width - 1, x + 6); px++) {
          if (py > rows[px]! - 0.5) continue;
          const r2 = (px - x) ** 2 + (py - y) ** 2;
          plane.data[py * width + px]! +=
            ((haze * star.flux) / (2 * Math.PI * sigma * sigma)) * Math.exp(-r2 / (2 * sigma * sigma));
        }
      }
    }
    for (let i = 0; i < plane.data.length; i++) {
      const value = Math.max(0, plane.data[i]!);
      plane.data[i] =
        (value > 60 ? value + Math.sqrt(value) * gaussian(random) : poisson(random, value)) +
        5 * gaussian(random);
    }
    planes.push(turnPlane(plane, options.orientation));
  }
  const upright = makeMask(width, height);
  for (let y = 0; y < height; y++)
    for (let x = 0; x < width; x++) upright.data[y * width + x] = y >= rows[x]! ? 1 : 0;
  return { planes, truth: turnMask(upright, options.orientation) };
}

/** Where an upright pixel is stored under an orientation (the inverse of turning for viewing). */
function stored(x: number, y: number, width: number, height: number, orientation: number): [number, number] {
  switch (orientation) {
    case 3:
      return [width - 1 - x, height - 1 - y];
    case 6:
      // Viewed after a quarter turn clockwise: the stored left side is the top.
      return [y, width - 1 - x];
    case 8:
      return [height - 1 - y, x];
    default:
      return [x, y];
  }
}

function turnPlane(plane: Plane, orientation: number): Plane {
  const sideways = orientation === 6 || orientation === 8;
  const out = makePlane(sideways ? plane.height : plane.width, sideways ? plane.width : plane.height);
  for (let y = 0; y < plane.height; y++) {
    for (let x = 0; x < plane.width; x++) {
      const [sx, sy] = stored(x, y, plane.width, plane.height, orientation);
      out.data[sy * out.width + sx] = plane.data[y * plane.width + x]!;
    }
  }
  return out;
}

function turnMask(mask: Mask, orientation: number): Mask {
  const sideways = orientation === 6 || orientation === 8;
  const out = makeMask(sideways ? mask.height : mask.width, sideways ? mask.width : mask.height);
  for (let y = 0; y < mask.height; y++) {
    for (let x = 0; x < mask.width; x++) {
      const [sx, sy] = stored(x, y, mask.width, mask.height, orientation);
      out.data[sy * out.width + sx] = mask.data[y * mask.width + x]!;
    }
  }
  return out;
}

/** The 40 scenes: every skyline, light and orientation. */
export function allScenes(): SceneOptions[] {
  const scenes: SceneOptions[] = [];
  const orientations = [1, 6, 8, 3] as const;
  let seed = 100;
  for (const line of ['ridge', 'trees', 'tower'] as const) {
    for (const light of ['black', 'lit'] as const) {
      for (let n = 0; n < 5; n++)
        scenes.push({ seed: seed++, skyline: line, light, orientation: orientations[n % 3]! });
    }
  }
  for (let n = 0; n < 5; n++) {
    scenes.push({ seed: seed++, skyline: 'none', light: 'black', orientation: orientations[n % 4]! });
    scenes.push({
      seed: seed++,
      skyline: 'hardly-any-sky',
      light: n % 2 ? 'lit' : 'black',
      orientation: orientations[n % 4]!,
    });
  }
  return scenes;
}

/** Share of pixels on the right side, those within `band` px of the true boundary left out. */
export function agreement(found: Mask | undefined, truth: Mask, band: number): number {
  const { width, height } = truth;
  const near = new Uint8Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      const edge =
        (x + 1 < width && truth.data[i] !== truth.data[i + 1]) ||
        (y + 1 < height && truth.data[i] !== truth.data[i + width]);
      if (!edge) continue;
      for (let dy = -band; dy <= band; dy++) {
        const py = y + dy;
        if (py < 0 || py >= height) continue;
        const half = Math.floor(Math.sqrt(band * band - dy * dy));
        near.fill(1, py * width + Math.max(0, x - half), py * width + Math.min(width, x + half + 1));
      }
    }
  }
  let right = 0;
  let all = 0;
  for (let i = 0; i < near.length; i++) {
    if (near[i] !== 0) continue;
    all++;
    if ((found ? found.data[i] : 0) === truth.data[i]) right++;
  }
  return all === 0 ? 1 : right / all;
}
