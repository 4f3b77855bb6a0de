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
  const off = new Float64Array(3);
  for (let i = 0; i < cells; i++) {
    if (!Number.isFinite(levels[cells + i]!)) continue;
    const x = rect.x + ((i % columns) + 0.5) * cell;
    const y = rect.y + (Math.floor(i / columns) + 0.5) * cell;
    const taken = [0, 1, 2].map((color) => share * gradientAt(gradient, color, x, y));
    const level = taken.map((value, color) => levels[color * cells + i]! - value);
    toSrgb(balanced, level[0]!, level[1]!, level[2]!, rgb);
    const bright = luminance(rgb[0]!, rgb[1]!, rgb[2]!);
    if (!Number.isFinite(bright)) continue;
    light.push(bright);
    // The gradient's own tint goes as it will in the picture; a cell without samples is told by its levels.
    toSrgb(balanced, taken[0]!, taken[1]!, taken[2]!, off);
    const grey = luminance(off[0]!, off[1]!, off[2]!);
    for (let color = 0; color < 3; color++) {
      const tint = survey.tints[color * cells + i] ?? Number.NaN;
      values[color]!.push(Number.isNaN(tint) ? rgb[color]! - bright : tint - (off[color]! - grey));
    }
  }
  if (light.length === 0) return undefined;
  // The blank sky is the darker third of the cells; the band must not tint the balance.
  const limit = quantile(light, 0.35);
  const isBlank = (_: number, i: number): boolean => light[i]! <= limit;
  const cast = (color: 0 | 1 | 2): number => median(values[color].filter(isBlank));
  return {
    cast: [cast(0), cast(1), cast(2)],
    level: median(light.filter(isBlank)),
    band: quantile(light, 0.985),
    dark: quantile(light, 0.003),
  };
}
