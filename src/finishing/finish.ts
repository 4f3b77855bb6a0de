import {
  type ColorImage,
  DataError,
  makeColorImage,
  makePlane,
  median,
  quantile,
  srgbDecode,
  srgbEncode,
} from '../core/index.js';
import { linearSrgbToOklab, luminance, oklabToLinearSrgb } from './color.js';
import { cropToCoverage, orientedSize, orientRgb } from './geometry.js';
import { fitSkyGradient, gradientAt, measureSkyMesh, type SkyGradient } from './gradient.js';
import { applyStretch, fitStretch, type Stretch } from './stretch.js';
import type { FinishInput, Look, Picture, Rect } from './types.js';

const IDENTITY = [1, 0, 0, 0, 1, 0, 0, 0, 1];

/** Cells across the short side of the sky mesh: well above star size, well below the band's width. */
const MESH_CELLS = 40;

/** Sky pixels with less than this share of the best coverage are cropped away. */
const COVERAGE_SHARE = 0.5;

/** Resolution of the tone tables; between entries values are interpolated. */
const TABLE = 8192;

interface Balanced {
  /** Camera colour to linear sRGB with balance, row-major 3x3. */
  readonly matrix: readonly number[];
  /** Highest value that every colour can reach once balanced, ADU: above it a star is white, not magenta (L06). */
  readonly clip: number;
  readonly multipliers: readonly [number, number, number];
}

function balance(input: FinishInput): Balanced {
  const multipliers = input.color?.multipliers ?? [1, 1, 1];
  const matrix = input.color?.cameraToSrgb ?? IDENTITY;
  const clip = Math.min(...multipliers.map((m, color) => m * input.whiteLevel[color]!));
  return { matrix, clip, multipliers };
}

function toSrgb(balanced: Balanced, r: number, g: number, b: number, out: Float64Array): void {
  const { matrix: m, multipliers, clip } = balanced;
  const x = Math.min(r * multipliers[0], clip);
  const y = Math.min(g * multipliers[1], clip);
  const z = Math.min(b * multipliers[2], clip);
  out[0] = m[0]! * x + m[1]! * y + m[2]! * z;
  out[1] = m[3]! * x + m[4]! * y + m[5]! * z;
  out[2] = m[6]! * x + m[7]! * y + m[8]! * z;
}

interface SkyLevels {
  /** Linear sRGB offsets that make the blank sky grey, ADU. */
  readonly cast: readonly [number, number, number];
  readonly level: number;
  readonly band: number;
  readonly dark: number;
}

/** Blank-sky level, its colour cast, and the level of the brightest broad part, after the gradient is off. */
function measureSky(
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

function gradientCenter(gradient: SkyGradient, color: number): number {
  const c = gradient.coefficients[color]!;
  // Mean of the surface over the rectangle: a square averages to a third.
  return c[0]! + c[3]! / 3;
}

/** Noise of single pixels around a small blur, luminance in ADU, from sky pixels all over the crop. */
function pixelNoise(input: FinishInput, balanced: Balanced, rect: Rect): number {
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

function toneTable(stretch: Stretch): Float32Array {
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

function encode16(linear: number): number {
  if (!(linear > 0)) return 0;
  if (linear >= 1) return 65535;
  const at = Math.sqrt(linear) * TABLE;
  const low = Math.floor(at);
  return ENCODE[low]! + (at - low) * (ENCODE[low + 1]! - ENCODE[low]!) + 0.5;
}

/**
 * A small binomial blur (1 4 6 4 1)/16 both ways, NaN left out, handed out row by row over the crop's columns:
 * each row is blurred along x once and kept for the five rows that need it.
 */
function rowBlur(image: ColorImage, color: number, rect: Rect): (y: number, out: Float32Array) => void {
  const { width, height, data } = image;
  const base = color * width * height;
  const kept = Array.from({ length: 5 }, () => ({
    y: Number.NaN,
    sum: new Float32Array(rect.width),
    weight: new Float32Array(rect.width),
  }));
  const along = (y: number) => {
    const slot = kept[((y % 5) + 5) % 5]!;
    if (slot.y === y) return slot;
    slot.y = y;
    const { sum, weight } = slot;
    const start = base + y * width;
    for (let i = 0; i < rect.width; i++) {
      const x = rect.x + i;
      let s = 0;
      let w = 0;
      for (let k = -2; k <= 2; k++) {
        const at = x + k;
        if (at < 0 || at >= width) continue;
        const value = data[start + at]!;
        if (Number.isNaN(value)) continue;
        const tap = k === 0 ? 6 : k === 1 || k === -1 ? 4 : 1;
        s += tap * value;
        w += tap;
      }
      sum[i] = s;
      weight[i] = w;
    }
    return slot;
  };
  const sums = new Float32Array(rect.width);
  const weights = new Float32Array(rect.width);
  return (y, out) => {
    sums.fill(0);
    weights.fill(0);
    for (let j = -2; j <= 2; j++) {
      const row = y + j;
      if (row < 0 || row >= height) continue;
      const tap = j === 0 ? 6 : j === 1 || j === -1 ? 4 : 1;
      const { sum, weight } = along(row);
      for (let i = 0; i < out.length; i++) {
        sums[i]! += tap * sum[i]!;
        weights[i]! += tap * weight[i]!;
      }
    }
    for (let i = 0; i < out.length; i++) out[i] = sums[i]! / weights[i]!;
  };
}

/** Level that half the land pixels exceed and its scatter, luminance in ADU. */
function measureLand(input: FinishInput, balanced: Balanced, rect: Rect): number {
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

/**
 * Turns a linear stack into a picture: crop to coverage, smooth sky gradient off, camera balance and matrix,
 * background made grey, asinh stretch that keeps hue, land lifted by a curve of its own, saturation in Oklab,
 * sRGB, and the turn for viewing last.
 *
 * @returns 16-bit sRGB picture; the stack is not modified
 * @throws {DataError} NO_PIXELS when the stack holds no usable pixel
 * @source stretch: R. H. Lupton et al., PASP 116 (2004) 133; sRGB: IEC 61966-2-1; Oklab: B. Ottosson 2020
 */
export function finishPicture(input: FinishInput, look: Look): Picture {
  const { image, landShare } = input;
  const { width, height } = image;
  const balanced = balance(input);
  const rect = cropToCoverage(width, height, {
    coverage: input.coverage,
    landShare,
    share: COVERAGE_SHARE,
  });
  const cell = Math.max(4, Math.floor(Math.min(rect.width, rect.height) / MESH_CELLS));
  const gradient = fitSkyGradient(
    measureSkyMesh(image, rect, { landShare, cell }),
    rect,
    (input.orientation ?? 1) >= 5 ? 'x' : 'y',
  );
  const centers = [0, 1, 2].map((color) => gradientCenter(gradient, color));
  const noise = pixelNoise(input, balanced, rect);
  const measured = measureSky(input, balanced, rect, gradient, look.gradient, cell);
  const landLevel = measureLand(input, balanced, rect);
  const sky = Number.isFinite(measured.level)
    ? measured
    : { cast: [0, 0, 0] as const, level: landLevel, band: landLevel, dark: landLevel };
  if (!Number.isFinite(sky.level)) {
    throw new DataError('NO_PIXELS', 'Expected a stack with picture data but every pixel is empty.');
  }
  const stretch = fitStretch(
    { sky: sky.level, band: sky.band, noise, white: balanced.clip, dark: sky.dark },
    look,
  );
  const table = toneTable(stretch);
  const landStretch = fitLandStretch(landLevel, stretch, noise, look);
  const landTable = landStretch ? toneTable(landStretch) : table;

  const data = new Uint16Array(3 * rect.width * rect.height);
  const clipped = render(
    {
      input,
      look,
      balanced,
      rect,
      gradient,
      centers,
      noise,
      cast: sky.cast,
      curves: {
        stretch,
        table,
        landStretch: landStretch ?? stretch,
        landTable,
        landCap: srgbDecode(0.85 * look.skyLevel),
      },
    },
    data,
  );
  const orientation = input.orientation ?? 1;
  const [outWidth, outHeight] = orientedSize(rect.width, rect.height, orientation);
  return {
    width: outWidth,
    height: outHeight,
    data: orientRgb(data, rect.width, rect.height, orientation),
    crop: rect,
    sky: { level: sky.level, band: sky.band, noise },
    clippedShare: clipped / (rect.width * rect.height),
    gradient: gradientPicture(gradient, rect, look.gradient),
  };
}

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
function render(work: Rendering, data: Uint16Array): number {
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

/** A curve for the land that starts at the sensor's black, so that dark ground shows without glowing. */
function fitLandStretch(landLevel: number, sky: Stretch, noise: number, look: Look): Stretch | undefined {
  if (!Number.isFinite(landLevel)) return undefined;
  const level = Math.max(landLevel, 4 * noise, 1e-6);
  return fitStretch(
    { sky: level, band: level * 3, noise: 0, white: sky.white },
    { skyLevel: look.landLevel, bandLevel: Math.min(0.9, look.landLevel * 2.2) },
  );
}

interface Curves {
  readonly stretch: Stretch;
  readonly table: Float32Array;
  readonly landStretch: Stretch;
  readonly landTable: Float32Array;
  /** Highest level that lifting may give the land, linear light. */
  readonly landCap: number;
}

/** Stretches one linear triple by its mean so that the ratios of the colours, and so the hue, stay (Lupton 2004). */
function tone(rgb: Float64Array, land: number, curves: Curves, out: Float64Array): void {
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

function saturate(rgb: Float64Array, factor: number): void {
  const [lightness, a, b] = linearSrgbToOklab(rgb[0]!, rgb[1]!, rgb[2]!);
  const turned = oklabToLinearSrgb(lightness, a * factor, b * factor);
  rgb[0] = turned[0];
  rgb[1] = turned[1];
  rgb[2] = turned[2];
  fitGamut(rgb);
}

function gradientPicture(gradient: SkyGradient, rect: Rect, share: number): ColorImage {
  const width = 60;
  const height = Math.max(1, Math.round((60 * rect.height) / rect.width));
  const picture = makeColorImage(width, height);
  for (let color = 0; color < 3; color++) {
    const center = gradientCenter(gradient, color);
    const plane = makePlane(width, height);
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        const px = rect.x + ((x + 0.5) * rect.width) / width;
        const py = rect.y + ((y + 0.5) * rect.height) / height;
        plane.data[y * width + x] = share * (gradientAt(gradient, color, px, py) - center);
      }
    }
    picture.data.set(plane.data, color * width * height);
  }
  return picture;
}
