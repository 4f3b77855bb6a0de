import { type Balanced, toSrgb } from './_balance.js';
import { rowBlur } from './_row-blur.js';
import { type Curves, encode16, saturate, tone } from './_tone.js';
import { luminance } from './color.js';
import { gradientAt, type SkyGradient } from './gradient.js';
import type { FinishInput, Look, Rect } from './types.js';

interface Rendering {
  readonly input: FinishInput;
  readonly look: Look;
  readonly balanced: Balanced;
  readonly rect: Rect;
  readonly gradient: SkyGradient;
  readonly centers: readonly number[];
  readonly noise: number;
  readonly cast: readonly [number, number, number];
  readonly curves: Curves;
}

/** Fills `data` (interleaved sRGB) row by row and returns how many pixels reached the top in some colour. */
export function render(work: Rendering, data: Uint16Array): number {
  const { input, look, balanced, rect, gradient, centers, noise, curves } = work;
  const { image, landShare } = input;
  const { width } = image;
  const size = width * image.height;
  const source = image.data;
  const smoothing = noise > 0 ? look.smoothing : 0;
  const blur = [0, 1, 2].map((color) => rowBlur(image, color, rect));
  const blurred = [0, 1, 2].map(() => new Float32Array(rect.width)) as [
    Float32Array,
    Float32Array,
    Float32Array,
  ];
  const slope = [0, 1, 2].map(() => new Float32Array(rect.width)) as [
    Float32Array,
    Float32Array,
    Float32Array,
  ];
  const cast = work.cast.map((value) => value * look.neutralize) as [number, number, number];
  const raw = new Float64Array(3);
  const soft = new Float64Array(3);
  const out = new Float64Array(3);
  const inverse = 1 / (3 * noise);
  let clipped = 0;
  for (let row = 0; row < rect.height; row++) {
    const y = rect.y + row;
    for (let c = 0; c < 3; c++) {
      if (smoothing > 0) blur[c]!(y, blurred[c]!);
      gradientRow(gradient, c, y, centers[c]!, look.gradient, slope[c]!);
    }
    for (let column = 0; column < rect.width; column++) {
      const at = y * width + rect.x + column;
      const land = landShare ? landShare.data[at]! : 0;
      const g0 = slope[0][column]! * (1 - land);
      const g1 = slope[1][column]! * (1 - land);
      const g2 = slope[2][column]! * (1 - land);
      toSrgb(balanced, source[at]! - g0, source[size + at]! - g1, source[2 * size + at]! - g2, raw);
      if (Number.isNaN(raw[0]! + raw[1]! + raw[2]!)) continue;
      if (smoothing > 0) {
        toSrgb(balanced, blurred[0][column]! - g0, blurred[1][column]! - g1, blurred[2][column]! - g2, soft);
        const scaled =
          (luminance(raw[0]!, raw[1]!, raw[2]!) - luminance(soft[0]!, soft[1]!, soft[2]!)) * inverse;
        // Only what looks like noise is smoothed: a star stands many sigma above its surroundings.
        if (scaled < 3 && scaled > -3) {
          const share = smoothing * Math.exp(-scaled * scaled);
          raw[0]! += share * (soft[0]! - raw[0]!);
          raw[1]! += share * (soft[1]! - raw[1]!);
          raw[2]! += share * (soft[2]! - raw[2]!);
        }
      }
      raw[0]! -= cast[0] * (1 - land);
      raw[1]! -= cast[1] * (1 - land);
      raw[2]! -= cast[2] * (1 - land);
      tone(raw, land, curves, out);
      if (look.saturation !== 1) saturate(out, look.saturation);
      const to = (row * rect.width + column) * 3;
      const r = encode16(out[0]!);
      const g = encode16(out[1]!);
      const b = encode16(out[2]!);
      data[to] = r;
      data[to + 1] = g;
      data[to + 2] = b;
      if (r >= 65535 || g >= 65535 || b >= 65535) clipped++;
    }
  }
  return clipped;
}

/** The gradient along one row of the crop, its own mean off, times `share`, ADU. */
function gradientRow(
  gradient: SkyGradient,
  color: number,
  y: number,
  center: number,
  share: number,
  out: Float32Array,
): void {
  if (share === 0) {
    out.fill(0);
    return;
  }
  for (let i = 0; i < out.length; i++) {
    out[i] = share * (gradientAt(gradient, color, gradient.rect.x + i, y) - center);
  }
}
