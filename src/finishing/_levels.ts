import { median, quantile } from '../core/index.js';
import { balance, toSrgb } from './_balance.js';
import { luminance } from './color.js';
import { gradientAt, type SkyGradient } from './gradient.js';
import type { Survey } from './survey.js';

export interface MeasuredSky {
  /** Linear sRGB offsets that make the blank sky grey, ADU. */
  readonly cast: readonly [number, number, number];
  readonly level: number;
  readonly band: number;
  readonly dark: number;
}

/** Blank-sky level, its colour cast, and the level of the brightest broad part, after the gradient is off. */
export function measureSky(survey: Survey, gradient: SkyGradient, share: number): MeasuredSky | undefined {
  const { plan, levels } = survey;
  const { rect, cell, columns, rows } = plan;
  const cells = columns * rows;
  const balanced = balance(plan);
  const values: [number[], number[], number[]] = [[], [], []];
  const light: number[] = [];
  const rgb = new Float64Array(3);
  for (let i = 0; i < cells; i++) {
    if (!Number.isFinite(levels[cells + i]!)) continue;
    const x = rect.x + ((i % columns) + 0.5) * cell;
    const y = rect.y + (Math.floor(i / columns) + 0.5) * cell;
    const level = [0, 1, 2].map(
      (color) => levels[color * cells + i]! - share * gradientAt(gradient, color, x, y),
    );
    toSrgb(balanced, level[0]!, level[1]!, level[2]!, rgb);
    const bright = luminance(rgb[0]!, rgb[1]!, rgb[2]!);
    if (!Number.isFinite(bright)) continue;
    for (let color = 0; color < 3; color++) values[color]!.push(rgb[color]!);
    light.push(bright);
  }
  if (light.length === 0) return undefined;
  // The blank sky is the darker third of the cells; the band must not tint the balance.
  const limit = quantile(light, 0.35);
  const blank = [0, 1, 2].map((color) => median(values[color]!.filter((_, i) => light[i]! <= limit)));
  const grey = luminance(blank[0]!, blank[1]!, blank[2]!);
  return {
    cast: [blank[0]! - grey, blank[1]! - grey, blank[2]! - grey],
    level: grey,
    band: quantile(light, 0.985),
    dark: quantile(light, 0.003),
  };
}
