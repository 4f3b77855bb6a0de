import {
  type BorderLines,
  type CfaPattern,
  type DarkBorder,
  DataError,
  type FrameHeader,
  type FramePixels,
  median,
} from '../core/index.js';
import { sitePeriod } from './_sites.js';

/** Kinds of calibration frame that are combined. */
export type MasterKind = 'dark' | 'flat' | 'bias';

/** What of a header decides whether frames belong together. */
export type CalibrationHeader = Pick<FrameHeader, 'exposureTime' | 'iso' | 'temperature' | 'camera'>;

/**
 * Many calibration frames combined along the frame axis. ADU above the nominal black that the reader takes
 * off darks and lights alike, so that `light - dark` holds black once only. A flat is divided by its own
 * level: 1 in the middle of the picture, for each colour.
 */
export interface Master {
  readonly kind: MasterKind;
  readonly width: number;
  readonly height: number;
  readonly data: Float32Array;
  readonly cfa?: CfaPattern;
  readonly planes: 1 | 3;
  /** Frames combined. */
  readonly frames: number;
  /** Typical 1-sigma scatter of a pixel from frame to frame, in the units of `data`. */
  readonly spread: number;
  /** Median level, in the units of `data`. */
  readonly level: number;
  /** Samples left out as outliers (a particle hit, a star in a flat). */
  readonly clipped: number;
  /** Mean of the known values; absent when none of the frames says. */
  readonly exposureTime?: number;
  readonly iso?: number;
  readonly temperature?: number;
  readonly camera?: string;
  readonly decoder: string;
  readonly sensorArea?: FramePixels['sensorArea'];
  /** Mean of what the frames' masked pixels said; it is in `data` as well. */
  readonly darkBorder?: DarkBorder;
}

/** What `createMaster` needs. */
export interface MasterOptions {
  readonly kind: MasterKind;
  /** Taken off each frame first: a bias or a dark of the flats' own exposure. */
  readonly subtract?: Master;
  /** A lone highest or lowest sample further than this many sigma from the rest is left out; default 5. */
  readonly sigma?: number;
}

/** Takes calibration frames one by one; holds four values a pixel however many there are. */
export interface MasterBuilder {
  /** @throws {DataError} SIZE_MISMATCH when size, pattern or decoder differ from the first frame's */
  add(pixels: FramePixels, header?: CalibrationHeader): void;
  readonly count: number;
  /** @throws {DataError} TOO_FEW_FRAMES without any frame */
  finish(): Master;
}

/**
 * Noise of a calibrated light against one with a perfect master, as a factor: a master of n frames of equal
 * noise adds sqrt(1 + 1/n). @source addition of independent variances
 */
export function masterNoiseFactor(frames: number): number {
  return Math.sqrt(1 + 1 / frames);
}

/** Names what two frames of one master must share and do not; undefined when they agree. */
export function geometryDifference(
  a: Pick<Master, 'width' | 'height' | 'decoder'> & { readonly cfa?: CfaPattern },
  b: Pick<Master, 'width' | 'height' | 'decoder'> & { readonly cfa?: CfaPattern },
): string | undefined {
  if (a.width !== b.width || a.height !== b.height) {
    return `size ${a.width}x${a.height} against ${b.width}x${b.height} px`;
  }
  const pattern = (cfa: CfaPattern | undefined): string =>
    cfa ? `${cfa.width}:${cfa.colors.join('')}` : 'none';
  if (pattern(a.cfa) !== pattern(b.cfa)) {
    return `colour filter ${pattern(a.cfa)} against ${pattern(b.cfa)}`;
  }
  if (a.decoder !== b.decoder) return `decoder ${a.decoder} against ${b.decoder}`;
  return undefined;
}

/** Median of a sample of the middle of the picture (a quarter of its width and height), for one site colour. */
function middleLevel(
  data: Float32Array,
  size: { readonly width: number; readonly height: number },
  use: (x: number, y: number) => boolean,
): number {
  const { width, height } = size;
  const values: number[] = [];
  const step = Math.max(1, Math.floor(Math.sqrt((width * height) / 16 / 40000)) | 1);
  for (let y = Math.floor(height * 0.375); y < height * 0.625; y += step) {
    for (let x = Math.floor(width * 0.375); x < width * 0.625; x += step) {
      if (use(x, y)) values.push(data[y * width + x]!);
    }
  }
  return median(values);
}

/** Divides each colour by its level in the middle, in place. */
function normalizeFlat(
  data: Float32Array,
  size: { readonly width: number; readonly height: number; readonly cfa?: CfaPattern },
  planes: number,
): void {
  const { width, height, cfa } = size;
  if (!cfa) {
    for (let p = 0; p < planes; p++) {
      const plane = data.subarray(p * width * height, (p + 1) * width * height);
      const level = middleLevel(plane, size, () => true);
      for (let i = 0; i < plane.length; i++) plane[i] = plane[i]! / level;
    }
    return;
  }
  const site = (x: number, y: number): number => cfa.colors[(y % cfa.height) * cfa.width + (x % cfa.width)]!;
  const level = [0, 1, 2].map((color) => middleLevel(data, size, (x, y) => site(x, y) === color));
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) data[y * width + x] = data[y * width + x]! / level[site(x, y)]!;
  }
}

function meanOf(values: readonly (number | undefined)[]): number | undefined {
  const known = values.filter((value) => value !== undefined);
  return known.length === 0 ? undefined : known.reduce((sum, value) => sum + value, 0) / known.length;
}

/** The value most of the known ones have. */
function common<T>(values: readonly (T | undefined)[]): T | undefined {
  const counts = new Map<T, number>();
  for (const value of values) if (value !== undefined) counts.set(value, (counts.get(value) ?? 0) + 1);
  return [...counts].sort((a, b) => b[1] - a[1])[0]?.[0];
}

/**
 * Starts a master. Frames are combined along the frame axis only, so a pixel that is hot in every frame
 * stays hot (L69); a lone outlier in one frame goes.
 *
 * @source running mean and variance: B. P. Welford, Technometrics 4 (1962) 419
 */
export function createMaster(options: MasterOptions): MasterBuilder {
  const { kind, subtract, sigma = 5 } = options;
  let first: FramePixels | undefined;
  let mean = new Float32Array(0);
  let squares = new Float32Array(0);
  let lowest = new Float32Array(0);
  let highest = new Float32Array(0);
  let count = 0;
  const headers: CalibrationHeader[] = [];
  const borders: (DarkBorder | undefined)[] = [];

  function add(pixels: FramePixels, header: CalibrationHeader = {}): void {
    const { data } = pixels;
    const difference = first && geometryDifference(first, pixels);
    if (difference)
      throw new DataError('SIZE_MISMATCH', `This ${kind} differs from the others: ${difference}.`);
    if (!first) {
      first = pixels;
      mean = new Float32Array(data.length);
      squares = new Float32Array(data.length);
      lowest = new Float32Array(data.length).fill(Number.POSITIVE_INFINITY);
      highest = new Float32Array(data.length).fill(Number.NEGATIVE_INFINITY);
    }
    const off = subtract?.data;
    // Flats differ in brightness: bring each to 1 before they are compared.
    const level = kind === 'flat' ? flatLevel(pixels, off) : 1;
    count++;
    for (let i = 0; i < data.length; i++) {
      const value = (off ? data[i]! - off[i]! : data[i]!) / level;
      const delta = value - mean[i]!;
      mean[i] = mean[i]! + delta / count;
      squares[i] = squares[i]! + delta * (value - mean[i]!);
      if (value < lowest[i]!) lowest[i] = value;
      if (value > highest[i]!) highest[i] = value;
    }
    headers.push(header);
    borders.push(pixels.darkBorder);
  }

  function flatLevel(pixels: FramePixels, off: Float32Array | undefined): number {
    const data = off ? pixels.data.map((v, i) => v - off[i]!) : pixels.data;
    const level = middleLevel(data, pixels, () => true);
    if (!(level > 0)) throw new DataError('CALIBRATION_MISMATCH', 'Expected a lit flat but it is dark.');
    return level;
  }

  function finish(): Master {
    if (!first) throw new DataError('TOO_FEW_FRAMES', `Expected at least one ${kind} but received none.`);
    const spread = typicalSpread(squares, count);
    const clipped = dropLoneOutliers();
    const { width, height, cfa, sensorArea, decoder } = first;
    const planes = first.kind === 'color' ? 3 : 1;
    const size = cfa ? { width, height, cfa } : { width, height };
    if (kind === 'flat') normalizeFlat(mean, size, planes);
    const exposureTime = meanOf(headers.map((header) => header.exposureTime));
    const temperature = meanOf(headers.map((header) => header.temperature));
    const iso = common(headers.map((header) => header.iso));
    const camera = common(headers.map((header) => header.camera));
    return {
      ...{ kind, ...size, data: mean, planes, frames: count, spread, clipped, decoder },
      level: median(mean.filter((_, i) => i % 61 === 0)),
      ...(sensorArea === undefined ? {} : { sensorArea }),
      ...(kind === 'flat' ? {} : meanBorder(borders)),
      ...(exposureTime === undefined ? {} : { exposureTime }),
      ...(temperature === undefined ? {} : { temperature }),
      ...(iso === undefined ? {} : { iso }),
      ...(camera === undefined ? {} : { camera }),
    };
  }

  /** Takes the highest or lowest sample out of the mean where it stands apart from the rest. */
  function dropLoneOutliers(): number {
    if (count < 4) return 0;
    const typical = typicalSpread(squares, count);
    let clipped = 0;
    for (let i = 0; i < mean.length; i++) {
      const m = mean[i]!;
      const extreme = highest[i]! - m > m - lowest[i]! ? highest[i]! : lowest[i]!;
      // Mean and sum of squares of the others follow from those of all (Welford run backwards).
      const rest = m - (extreme - m) / (count - 1);
      const restSquares = Math.max(0, squares[i]! - (extreme - m) * (extreme - rest));
      const restSigma = Math.max(Math.sqrt(restSquares / (count - 2)), typical);
      if (Math.abs(extreme - rest) > sigma * restSigma) {
        mean[i] = rest;
        clipped++;
      }
    }
    return clipped;
  }

  return {
    add,
    finish,
    get count() {
      return count;
    },
  };
}

/** Means of the frames' masked borders; nothing unless all of them have one. */
function meanBorder(borders: readonly (DarkBorder | undefined)[]): { darkBorder?: DarkBorder } {
  const mean = (side: 'rows' | 'columns'): BorderLines | undefined => {
    const lines = borders.map((border) => border?.[side]).filter((line) => line !== undefined);
    if (lines.length === 0 || lines.length < borders.length) return undefined;
    return {
      values: lines[0]!.values.map(
        (_, i) => lines.reduce((sum, { values }) => sum + values[i]!, 0) / lines.length,
      ),
      error: (meanOf(lines.map(({ error }) => error)) ?? 0) / Math.sqrt(lines.length),
    };
  };
  const [rows, columns] = [mean('rows'), mean('columns')];
  return rows || columns
    ? { darkBorder: { ...(rows ? { rows } : {}), ...(columns ? { columns } : {}) } }
    : {};
}

/** Median over the picture of the scatter of single pixels; 0 for one frame. */
function typicalSpread(squares: Float32Array, count: number): number {
  if (count < 2) return 0;
  const step = sitePeriod(squares.length);
  const sample = squares.filter((_, i) => i % step === 0);
  return Math.sqrt(median(sample) / (count - 1));
}

/** Combines frames that are in memory already; see `createMaster`. */
export function makeMaster(
  frames: readonly { readonly pixels: FramePixels; readonly header?: CalibrationHeader }[],
  options: MasterOptions,
): Master {
  const builder = createMaster(options);
  for (const { pixels, header } of frames) builder.add(pixels, header);
  return builder.finish();
}
