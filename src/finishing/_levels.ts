import { median, quantile } from '../core/index.js';
import { type Balanced, toSrgb } from './_balance.js';
import { luminance } from './color.js';
import { gradientAt, measureSkyMesh, type SkyGradient } from './gradient.js';
import type { FinishInput, Rect } from './types.js';

interface SkyLevels {
  /** Linear sRGB offsets that make the blank sky grey, ADU. */
  readonly cast: readonly [number, number, number];
  readonly level: number;
  readonly band: number;
  readonly dark: number;
}

/** Blank-sky level, its colour cast, and the level of the brightest broad part, after the gradient is off. */
export function measureSky(
  input: FinishInput,
  balanced: Balanced,
  rect: Rect,
  gradient: SkyGradient,
  share: number,
  cell: number,
): SkyLevels {
  const mesh = measureSkyMesh(input.image, rect, { landShare: input.landShare, cell });
  const cells = mesh.columns * mesh.rows;
  const values: [number[], number[], number[]] = [[], [], []];
  const light: number[] = [];
  const rgb = new Float64Array(3);
  const centers = [0, 1, 2].map((color) => gradientCenter(gradient, color));
  for (let i = 0; i < cells; i++) {
    if (!Number.isFinite(mesh.levels[cells + i]!)) continue;
    const x = rect.x + ((i % mesh.columns) + 0.5) * cell;
    const y = rect.y + (Math.floor(i / mesh.columns) + 0.5) * cell;
    const level = [0, 1, 2].map(
      (color) =>
        mesh.levels[color * cells + i]! - share * (gradientAt(gradient, color, x, y) - centers[color]!),
    );
    toSrgb(balanced, level[0]!, level[1]!, level[2]!, rgb);
    for (let color = 0; color < 3; color++) values[color]!.push(rgb[color]!);
    light.push(luminance(rgb[0]!, rgb[1]!, rgb[2]!));
  }
  if (light.length === 0) return { cast: [0, 0, 0], level: Number.NaN, band: Number.NaN, dark: Number.NaN };
  // The blank sky is the darker third of the cells; the band must not tint the balance.
  const limit = quantile(light, 0.35);
  const blank = [0, 1, 2].map((color) => median(values[color]!.filter((_, i) => light[i]! <= limit))) as [
    number,
    number,
    number,
  ];
  const grey = luminance(blank[0], blank[1], blank[2]);
  return {
    cast: [blank[0] - grey, blank[1] - grey, blank[2] - grey],
    level: grey,
    band: quantile(light, 0.985),
    dark: quantile(light, 0.003),
  };
}

export function gradientCenter(gradient: SkyGradient, color: number): number {
  const c = gradient.coefficients[color]!;
  // Mean of the surface over the rectangle: a square averages to a third.
  return c[0]! + c[3]! / 3;
}

/** Noise of single pixels around a small blur, luminance in ADU, from sky pixels all over the crop. */
export function pixelNoise(input: FinishInput, balanced: Balanced, rect: Rect): number {
  const { image, landShare } = input;
  const size = image.width * image.height;
  const rgb = new Float64Array(3);
  const light = (at: number): number => {
    toSrgb(balanced, image.data[at]!, image.data[size + at]!, image.data[2 * size + at]!, rgb);
    return luminance(rgb[0]!, rgb[1]!, rgb[2]!);
  };
  const found: number[] = [];
  const step = Math.max(3, Math.floor(Math.sqrt((rect.width * rect.height) / 40_000)));
  for (let y = rect.y + 2; y < rect.y + rect.height - 2; y += step) {
    for (let x = rect.x + 2; x < rect.x + rect.width - 2; x += step) {
      const at = y * image.width + x;
      if (landShare && landShare.data[at]! > 0.02) continue;
      // Second difference along both diagonals: smooth light cancels, noise remains (variance 1 + 4/16).
      const w = image.width;
      const d =
        light(at) -
        (light(at - 2 * w - 2) + light(at - 2 * w + 2) + light(at + 2 * w - 2) + light(at + 2 * w + 2)) / 4;
      if (Number.isFinite(d)) found.push(d);
    }
  }
  if (found.length < 50) return 0;
  return (1.4826 * median(found.map(Math.abs))) / Math.sqrt(1.25);
}

/** Level that half the land pixels exceed and its scatter, luminance in ADU. */
export function measureLand(input: FinishInput, balanced: Balanced, rect: Rect): number {
  const { image, landShare } = input;
  if (!landShare) return Number.NaN;
  const size = image.width * image.height;
  const rgb = new Float64Array(3);
  const found: number[] = [];
  const step = Math.max(1, Math.floor(Math.sqrt((rect.width * rect.height) / 60_000)));
  for (let y = rect.y; y < rect.y + rect.height; y += step) {
    for (let x = rect.x; x < rect.x + rect.width; x += step) {
      const at = y * image.width + x;
      if (landShare.data[at]! < 0.98) continue;
      toSrgb(balanced, image.data[at]!, image.data[size + at]!, image.data[2 * size + at]!, rgb);
      const value = luminance(rgb[0]!, rgb[1]!, rgb[2]!);
      if (Number.isFinite(value)) found.push(value);
    }
  }
  return found.length < 50 ? Number.NaN : median(found);
}
