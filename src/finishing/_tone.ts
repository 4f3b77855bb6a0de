import { srgbEncode } from '../core/index.js';
import { linearSrgbToOklab, oklabToLinearSrgb } from './color.js';
import { applyStretch, type Stretch } from './stretch.js';

/** Resolution of the tone tables; between entries values are interpolated. */
const TABLE = 8192;

export function toneTable(stretch: Stretch): Float32Array {
  const table = new Float32Array(TABLE + 2);
  for (let i = 0; i <= TABLE + 1; i++) {
    // The square spaces entries closely where the curve is steep.
    const x = (i / TABLE) ** 2;
    table[i] = applyStretch(stretch, stretch.black + x * (stretch.white - stretch.black));
  }
  return table;
}

function lookUp(table: Float32Array, stretch: Stretch, value: number): number {
  const x = (value - stretch.black) / (stretch.white - stretch.black);
  if (!(x > 0)) return 0;
  if (x >= 1) return 1;
  const at = Math.sqrt(x) * TABLE;
  const low = Math.floor(at);
  return table[low]! + (at - low) * (table[low + 1]! - table[low]!);
}

const ENCODE = (() => {
  const table = new Float32Array(TABLE + 2);
  for (let i = 0; i <= TABLE + 1; i++) table[i] = 65535 * srgbEncode(Math.min(1, (i / TABLE) ** 2));
  return table;
})();

export function encode16(linear: number): number {
  if (!(linear > 0)) return 0;
  if (linear >= 1) return 65535;
  const at = Math.sqrt(linear) * TABLE;
  const low = Math.floor(at);
  return ENCODE[low]! + (at - low) * (ENCODE[low + 1]! - ENCODE[low]!) + 0.5;
}

export interface Curves {
  readonly stretch: Stretch;
  readonly table: Float32Array;
  readonly landStretch: Stretch;
  readonly landTable: Float32Array;
  /** Highest level that lifting may give the land, linear light. */
  readonly landCap: number;
}

/** Stretches one linear triple by its mean so that the ratios of the colours, and so the hue, stay (Lupton 2004). */
export function tone(rgb: Float64Array, land: number, curves: Curves, out: Float64Array): void {
  const { stretch, table, landStretch, landTable } = curves;
  const value = (rgb[0]! + rgb[1]! + rgb[2]!) / 3;
  const bright = lookUp(table, stretch, value);
  out[0] = 0;
  out[1] = 0;
  out[2] = 0;
  if (land < 1 && value > stretch.black) {
    const factor = ((1 - land) * bright) / (value - stretch.black);
    for (let c = 0; c < 3; c++) out[c]! += factor * (rgb[c]! - stretch.black);
  }
  if (land > 0 && value > landStretch.black) {
    // Land is lifted toward the sky's own level and never above it, unless it is truly brighter: what little
    // sky hangs in the land's soft edge must not glow.
    const lifted = Math.min(lookUp(landTable, landStretch, value), Math.max(bright, curves.landCap));
    const factor = (land * lifted) / (value - landStretch.black);
    for (let c = 0; c < 3; c++) out[c]! += factor * (rgb[c]! - landStretch.black);
  }
  fitGamut(out);
}

/** Brings a triple into 0..1 toward its own grey, so that hue and brightness hold where they can. */
function fitGamut(rgb: Float64Array): void {
  const grey = Math.min(1, Math.max(0, (rgb[0]! + rgb[1]! + rgb[2]!) / 3));
  let share = 1;
  for (let c = 0; c < 3; c++) {
    const value = rgb[c]!;
    if (value > 1) share = Math.min(share, (1 - grey) / (value - grey));
    else if (value < 0) share = Math.min(share, grey / (grey - value));
  }
  if (share >= 1) return;
  for (let c = 0; c < 3; c++) rgb[c] = grey + share * (rgb[c]! - grey);
}

export function saturate(rgb: Float64Array, factor: number): void {
  const [lightness, a, b] = linearSrgbToOklab(rgb[0]!, rgb[1]!, rgb[2]!);
  const turned = oklabToLinearSrgb(lightness, a * factor, b * factor);
  rgb[0] = turned[0];
  rgb[1] = turned[1];
  rgb[2] = turned[2];
  fitGamut(rgb);
}
