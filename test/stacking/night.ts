import { type FramePixels, gaussian, type Mask, seededRandom } from '../../src/core/index.js';
import {
  type CombineOptions,
  coarseSky,
  fitLevel,
  fitSky,
  frameWeight,
  pack,
  packRange,
  type ReadCrop,
  type StackFrame,
  type StackInput,
  sampleVariance,
  type WarpGrid,
} from '../../src/stacking/index.js';
import { cropReader, gridOf, RGGB } from './support.js';

/** A star of the reference frame; flux in ADU of green. */
export interface TruthStar {
  readonly x: number;
  readonly y: number;
  readonly flux: number;
  readonly color: readonly [number, number, number];
}

export interface NightOptions {
  readonly width: number;
  readonly height: number;
  readonly frames: number;
  readonly seed?: number;
  readonly stars?: readonly TruthStar[];
  /** Turn from frame to frame, rad. */
  readonly turn?: number;
  /** Green sky of frame f at reference pixel-like place (u, v) in -1..1. */
  readonly sky?: (f: number, u: number, v: number) => number;
  readonly transparency?: (f: number) => number;
  /** e-/ADU and ADU. */
  readonly gain?: number;
  readonly readNoise?: number;
  /** Light that reaches the sensor at a pixel, share. */
  readonly falloff?: (x: number, y: number) => number;
  /** Land share (0..1) and green brightness at a pixel of the (fixed) frame. */
  readonly land?: (x: number, y: number) => { readonly share: number; readonly level: number };
  /** Added to single frames after the optics: satellites, defects. */
  readonly extra?: (f: number, data: Float32Array) => void;
  readonly psfSigma?: number;
}

export interface Night {
  readonly pixels: readonly FramePixels[];
  readonly grids: readonly WarpGrid[];
  readonly reference: number;
  /** Reference pixel to pixel of frame f. */
  readonly map: (f: number, x: number, y: number) => readonly [number, number];
}

const SKY_COLOR = [0.6, 1, 0.8] as const;
export const WHITE = 15000;

/** Renders a run seen from a fixed tripod: the sky turns about a pole above the frame, the land stays. */
export function makeNight(options: NightOptions): Night {
  const { width, height, frames, turn = 0.004, gain = 2, readNoise = 4, psfSigma = 1.3 } = options;
  const { sky = () => 800, transparency = () => 1, falloff = () => 1, stars = [] } = options;
  const reference = frames >> 1;
  const pole = [width * 0.4, -height * 0.7] as const;
  const map = (f: number, x: number, y: number): readonly [number, number] => {
    const angle = turn * (f - reference);
    const [c, s] = [Math.cos(angle), Math.sin(angle)];
    return [
      pole[0] + c * (x - pole[0]) - s * (y - pole[1]) + 0.37 * (f - reference),
      pole[1] + s * (x - pole[0]) + c * (y - pole[1]),
    ];
  };
  const random = seededRandom(options.seed ?? 1);
  const reach = Math.ceil(5 * psfSigma);
  const pixels = Array.from({ length: frames }, (_, f): FramePixels => {
    const light = new Float32Array(width * height);
    for (const star of stars) {
      const [sx, sy] = map(f, star.x, star.y);
      for (let y = Math.ceil(sy - reach); y <= sy + reach; y++) {
        for (let x = Math.ceil(sx - reach); x <= sx + reach; x++) {
          if (x < 0 || y < 0 || x >= width || y >= height) continue;
          const color = star.color[RGGB.colors[(y % 2) * 2 + (x % 2)]!]!;
          const shape = Math.exp(-((x - sx) ** 2 + (y - sy) ** 2) / (2 * psfSigma * psfSigma));
          light[y * width + x]! += (color * star.flux * shape) / (2 * Math.PI * psfSigma * psfSigma);
        }
      }
    }
    const data = new Float32Array(width * height);
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        const at = y * width + x;
        const color = SKY_COLOR[RGGB.colors[(y % 2) * 2 + (x % 2)]!]!;
        const glow = sky(f, (2 * x) / width - 1, (2 * y) / height - 1) * color;
        const above = light[at]! * transparency(f) + glow;
        const land = options.land?.(x, y);
        const level = land ? land.share * land.level * color + (1 - land.share) * above : above;
        data[at] = level * falloff(x, y);
      }
    }
    options.extra?.(f, data);
    for (let at = 0; at < data.length; at++) {
      const variance = Math.max(0, data[at]!) / gain + readNoise * readNoise;
      data[at] = Math.min(WHITE, data[at]! + Math.sqrt(variance) * gaussian(random));
    }
    return {
      ...{ kind: 'mosaic', width, height, data, cfa: RGGB, blackLevel: [512] },
      ...{ whiteLevel: [WHITE, WHITE, WHITE], quantization: 1, decoder: 'test 1', warnings: [] },
    };
  });
  const grids = pixels.map((_, f) => gridOf(width, height, (x, y) => map(f, x, y), 16));
  return { pixels, grids, reference, map };
}

/** Prepares a stack of a night the way a stage does: sky levels, scales, weights, packing. */
export function prepare(
  night: Night,
  options: {
    readonly mask?: Mask;
    readonly scale?: (f: number) => number;
    readonly sky?: Partial<CombineOptions>;
    readonly level?: boolean;
    readonly gain?: number;
  } = {},
): { input: StackInput; read: ReadCrop; weights: number[]; sigmas: number[] } {
  const { mask, scale = () => 1 } = options;
  const [first] = night.pixels;
  const { width, height } = first!;
  const masked = mask ? { mask } : {};
  const skies = night.pixels.map((pixels) => coarseSky(pixels, masked));
  const reference = skies[night.reference]!;
  const range = packRange(WHITE, options.gain);
  const packedFrames = new Map<string, Uint16Array>();
  const frames = night.pixels.map((pixels, f): StackFrame => {
    const id = `frame-${String(f).padStart(3, '0')}`;
    packedFrames.set(id, pack(pixels.data, range));
    const level =
      options.level === false ? undefined : fitLevel(reference, skies[f]!, night.grids[f]!, scale(f));
    return {
      ...{ id, grid: night.grids[f]!, scale: scale(f), weight: frameWeight(skies[f]!.noise[1], scale(f)) },
      ...(level ? { level } : {}),
      variance: sampleVariance(skies[f]!, { scale: scale(f), ...(level ? { level } : {}) }),
    };
  });
  const input: StackInput = {
    ...{ width, height, cfa: RGGB, sourcePlanes: 1, frames, pack: range },
    saturation: [WHITE * 0.9, WHITE * 0.9, WHITE * 0.9],
    ...(options.sky ? { sky: options.sky } : {}),
    skySurface: fitSky(reference),
    ...(mask ? { landMask: mask } : {}),
  };
  return {
    input,
    read: cropReader(packedFrames, width, height),
    weights: frames.map((frame) => frame.weight),
    sigmas: skies.map((sky, f) => (sky.noise[1] * scale(f)) / (reference.noise[1] * scale(night.reference))),
  };
}

/** Stars at random places, magnitudes spread evenly over `magnitudes`. */
export function randomStars(
  seed: number,
  count: number,
  options: {
    readonly width: number;
    readonly height: number;
    readonly brightest: number;
    readonly magnitudes: number;
    /** Stars keep at least this far from each other, px. */
    readonly apart?: number;
  },
): TruthStar[] {
  const random = seededRandom(seed);
  const stars: TruthStar[] = [];
  for (let tries = 0; stars.length < count && tries < 100 * count; tries++) {
    const x = random() * options.width;
    const y = random() * options.height;
    const apart = options.apart ?? 0;
    if (stars.some((star) => Math.hypot(star.x - x, star.y - y) < apart)) continue;
    const magnitude = (options.magnitudes * stars.length) / Math.max(1, count - 1);
    stars.push({
      ...{ x, y, flux: options.brightest * 10 ** (-0.4 * magnitude) },
      color: [0.5 + random() * 0.7, 1, 0.5 + random() * 0.7],
    });
  }
  return stars;
}
