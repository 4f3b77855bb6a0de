import type { ColorImage, Plane } from '../core/index.js';

/** What the photographer wants of the land: `hold` it sharp, show the sky stack alone, or the unmoved stack alone. */
export type LandChoice = 'hold' | 'none' | 'only';

/**
 * Puts sky and land together: `share * land + (1 - share) * sky`. Where one of them has no data the other
 * stands in, so that no gap is black (P11); NaN is left only where neither has any.
 *
 * @param into may be the sky's or the land's own image, to save its memory; default a new one
 */
export function composeLand(
  parts: { readonly sky: ColorImage; readonly land?: ColorImage; readonly share?: Plane },
  choice: LandChoice,
  into?: ColorImage,
): ColorImage {
  const { sky, land, share } = parts;
  const { width, height } = sky;
  const out = into ?? { width, height, data: new Float32Array(sky.data.length) };
  const size = width * height;
  for (let i = 0; i < sky.data.length; i++) {
    const s = sky.data[i]!;
    const l = land ? land.data[i]! : Number.NaN;
    const w = choice === 'only' ? 1 : choice === 'none' || !share ? 0 : share.data[i % size]!;
    if (w === 0 || Number.isNaN(l)) out.data[i] = choice === 'none' || !Number.isNaN(s) ? s : l;
    else if (w === 1 || Number.isNaN(s)) out.data[i] = l;
    else out.data[i] = w * l + (1 - w) * s;
  }
  return out;
}
