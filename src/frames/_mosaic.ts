import { type CameraColor, type CfaPattern, cfaColor, type FramePixels, invert3 } from '../core/index.js';
import { darkBorder } from './_dark-border.js';
import { multiply } from './_tone.js';

/** Raw samples with everything needed to bring them to ADU above black. */
export interface RawMosaic {
  readonly data: Uint8Array | Uint16Array | Uint32Array | Float32Array | Float64Array;
  readonly fullWidth: number;
  readonly fullHeight: number;
  readonly left: number;
  readonly top: number;
  readonly width: number;
  readonly height: number;
  /** Pattern of the visible area. */
  readonly cfa: CfaPattern;
  /** One level for each site of `cfa` in row order. */
  readonly black: readonly number[];
  /** Raw level of clipping for each colour, black included. */
  readonly white: readonly [number, number, number];
  readonly color?: CameraColor;
  readonly temperature?: number | undefined;
  readonly decoder: string;
  readonly warnings: readonly string[];
}

/** Cuts the visible area out and takes the black level of each site off. */
export function mosaicPixels(raw: RawMosaic): FramePixels {
  const { data, fullWidth, left, top, width, height, cfa, black } = raw;
  const out = new Float32Array(width * height);
  const even = black.every((level) => level === black[0]);
  for (let y = 0; y < height; y++) {
    const from = (y + top) * fullWidth + left;
    const to = y * width;
    if (even) {
      const level = black[0]!;
      for (let x = 0; x < width; x++) out[to + x] = data[from + x]! - level;
    } else {
      const site = (y % cfa.height) * cfa.width;
      for (let x = 0; x < width; x++) out[to + x] = data[from + x]! - black[site + (x % cfa.width)]!;
    }
  }
  const blackOf = (color: 0 | 1 | 2): number => {
    const levels = black.filter((_, i) => cfa.colors[i] === color);
    return levels.length === 0 ? black[0]! : levels.reduce((sum, level) => sum + level, 0) / levels.length;
  };
  const border = darkBorder(raw);
  return {
    kind: 'mosaic',
    width,
    height,
    data: out,
    cfa,
    blackLevel: even ? [black[0]!] : black,
    whiteLevel: [raw.white[0] - blackOf(0), raw.white[1] - blackOf(1), raw.white[2] - blackOf(2)],
    quantization: 1,
    ...(raw.color === undefined ? {} : { color: raw.color }),
    ...(raw.temperature === undefined ? {} : { temperature: raw.temperature }),
    sensorArea: { fullWidth, fullHeight: raw.fullHeight, left, top },
    ...(border ? { darkBorder: border } : {}),
    decoder: raw.decoder,
    warnings: raw.warnings,
  };
}

/**
 * Camera multipliers (green 1) and the matrix from balanced camera RGB to linear sRGB, from a matrix that
 * takes CIE XYZ to camera RGB: camera <- sRGB is scaled so that white stays white, then inverted.
 * @source Adobe DNG 1.4 chapter 6 (ColorMatrix: XYZ to camera); IEC 61966-2-1 (sRGB to XYZ, D65)
 */
export function colorFromXyzMatrix(
  xyzToCamera: readonly number[],
  multipliers: readonly [number, number, number],
): CameraColor | undefined {
  const cameraFromSrgb = multiply(xyzToCamera, SRGB_TO_XYZ);
  for (let row = 0; row < 3; row++) {
    const sum = cameraFromSrgb[3 * row]! + cameraFromSrgb[3 * row + 1]! + cameraFromSrgb[3 * row + 2]!;
    if (!(Math.abs(sum) > 1e-6)) return undefined;
    for (let i = 0; i < 3; i++) cameraFromSrgb[3 * row + i] = cameraFromSrgb[3 * row + i]! / sum;
  }
  const cameraToSrgb = invert3(cameraFromSrgb);
  return cameraToSrgb && { multipliers, cameraToSrgb };
}

/** @source IEC 61966-2-1:1999 (D65) */
const SRGB_TO_XYZ = [
  0.4124564, 0.3575761, 0.1804375, 0.2126729, 0.7151522, 0.072175, 0.0193339, 0.119192, 0.9503041,
];

/** Repeats a pattern to the given size, which is a multiple of its own. */
export function repeatCfa(cfa: CfaPattern, width: number, height: number): CfaPattern {
  const colors: (0 | 1 | 2)[] = [];
  for (let y = 0; y < height; y++) for (let x = 0; x < width; x++) colors.push(cfaColor(cfa, x, y));
  return { width, height, colors };
}
