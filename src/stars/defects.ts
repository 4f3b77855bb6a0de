import { type CfaPattern, DataError, type FramePixels, type Plane } from '../core/index.js';
import { patternOf, sameColorNeighbours, smallMedian } from './_neighbours.js';
import { findSpikes } from './_spikes.js';

/** Collects the defects of a run frame by frame; memory is two bytes a pixel, whatever the number of frames. */
export interface DefectCollector {
  /** Looks at one more raw frame of the run. @throws {DataError} SIZE_MISMATCH */
  accumulate(pixels: FramePixels): void;
  /** Sorted indices y*width + x of pixels that stood out in most frames; empty before 3 frames. */
  finish(): Uint32Array;
}

/**
 * Starts collecting hot and cold pixels from the lights of a run themselves (P12, P16): a defect stays while
 * the stars move, so a pixel that stands out alone in most frames is one, and a star is not. Frames must be
 * the unaligned mosaic (or mono) as read; colour frames are counted as holding none, since no defect
 * survives a demosaic as one pixel.
 *
 * @param options.share share of the frames in which a pixel must stand out; default 0.6
 */
export function defectsOfRun(options: { readonly share?: number } = {}): DefectCollector {
  const share = options.share ?? 0.6;
  let width = 0;
  let height = 0;
  let bright = new Uint8Array();
  let dark = new Uint8Array();
  let frames = 0;
  return {
    accumulate(pixels) {
      if (pixels.kind === 'color') return;
      if (frames === 0) {
        ({ width, height } = pixels);
        bright = new Uint8Array(width * height);
        dark = new Uint8Array(width * height);
      } else if (pixels.width !== width || pixels.height !== height) {
        throw new DataError(
          'SIZE_MISMATCH',
          `Expected a frame of ${width} x ${height} px like the others of its run but received ${pixels.width} x ${pixels.height}; leave it out.`,
        );
      }
      if (frames === 255) return;
      frames++;
      const mosaic = { width, height, data: pixels.data, cfa: patternOf(pixels) };
      // 5 sigma a frame is enough when most frames must agree.
      findSpikes(
        mosaic,
        (index, sign) => {
          if (sign > 0) bright[index]!++;
          else dark[index]!++;
        },
        { dark: true, sigma: 5 },
      );
    },
    finish() {
      if (frames < 3) return new Uint32Array();
      const needed = Math.max(2, Math.ceil(share * frames));
      const found: number[] = [];
      for (let i = 0; i < bright.length; i++) {
        if (bright[i]! >= needed || dark[i]! >= needed) found.push(i);
      }
      return Uint32Array.from(found);
    },
  };
}

/**
 * Finds defects on a master dark: pixels that stand out of their same-colour neighbours, in clusters too,
 * since no star can be meant.
 *
 * @param dark f32[height*width], ADU. Not modified.
 * @param cfa the sensor's filter pattern; absent = mono
 * @param options.sigma limit in units of the dark's own scatter; default 8
 * @returns sorted indices y*width + x
 */
export function defectsOfDark(
  dark: Plane,
  cfa?: CfaPattern,
  options: { readonly sigma?: number } = {},
): Uint32Array {
  const { width, height, data } = dark;
  const pattern = patternOf(cfa ? { cfa } : {});
  const neighbours = sameColorNeighbours(pattern);
  const values = new Float64Array(8);
  const residual = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      let n = 0;
      for (const [dx, dy] of neighbours[(y % pattern.height) * pattern.width + (x % pattern.width)]!) {
        const px = x + dx;
        const py = y + dy;
        if (px < 0 || py < 0 || px >= width || py >= height) continue;
        const value = data[py * width + px]!;
        if (!Number.isNaN(value)) values[n++] = value;
      }
      residual[y * width + x] = data[y * width + x]! - smallMedian(values, n);
    }
  }
  const sample: number[] = [];
  const step = Math.max(1, Math.floor(residual.length / 50_000));
  for (let i = 0; i < residual.length; i += step) {
    if (!Number.isNaN(residual[i])) sample.push(Math.abs(residual[i]!));
  }
  sample.sort((a, b) => a - b);
  const scatter = Math.max(0.3, 1.4826 * (sample[sample.length >> 1] ?? 0));
  const limit = (options.sigma ?? 8) * scatter;
  const found: number[] = [];
  for (let i = 0; i < residual.length; i++) if (Math.abs(residual[i]!) > limit) found.push(i);
  return Uint32Array.from(found);
}
