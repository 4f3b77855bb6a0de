import { srgbEncode } from '../core/index.js';
import { applyStretch, colorGain, type Stretch } from './stretch.js';

/** Entries of the tone and sRGB tables; between entries values are interpolated. */
const TABLE = 8192;

/** Height of the toe over black, in units of which the curve is followed below the toe. */
const TOE_REACH = 6;

/** The tone curves of sky and land in one table; see `FinishCall.tone`. */
export interface ToneTable {
  /** Level of the first entry and the span to the last, ADU. */
  readonly from: number;
  readonly span: number;
  readonly table: Float32Array;
}

const lowest = (stretch: Stretch): number => {
  const toe = stretch.toe ?? stretch.black;
  return toe - TOE_REACH * (toe - stretch.black);
};

export function toneTable(sky: Stretch, land: Stretch): ToneTable {
  const from = Math.min(lowest(sky), lowest(land));
  const span = Math.max(sky.white, land.white) - from;
  const table = new Float32Array(4 * (TABLE + 2));
  for (let i = 0; i <= TABLE + 1; i++) {
    // The square spaces entries closely where the curve is steep.
    const value = from + (i / TABLE) ** 2 * span;
    table[4 * i] = Math.min(1, applyStretch(sky, value));
    table[4 * i + 1] = colorGain(sky, value);
    table[4 * i + 2] = Math.min(1, applyStretch(land, value));
    table[4 * i + 3] = colorGain(land, value);
  }
  return { from, span, table };
}

/** 16-bit sRGB of linear light (i / n)^2, and the step to the next entry. */
export const ENCODE: Float32Array = (() => {
  const table = new Float32Array(2 * (TABLE + 2));
  const code = (i: number): number => 65535 * srgbEncode(Math.min(1, (i / TABLE) ** 2));
  for (let i = 0; i <= TABLE + 1; i++) {
    table[2 * i] = code(i);
    table[2 * i + 1] = code(i + 1) - code(i);
  }
  return table;
})();
