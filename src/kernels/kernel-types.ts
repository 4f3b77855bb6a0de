import type { F32Block, F64Block, KernelMemory, U16Block } from './memory.js';

/** A rectangle of whole pixels: x0 <= x < x0 + width. */
export interface Rect {
  readonly x0: number;
  readonly y0: number;
  readonly width: number;
  readonly height: number;
}

/** Where the pixels of a tile lie on a frame: nodes every `step` px of the reference grid, bilinear between. */
export interface GridBlocks {
  /** px of the reference grid between nodes, >= 1. */
  readonly step: number;
  /** Nodes in a row and in a column, >= 2. */
  readonly columns: number;
  readonly rows: number;
  /** Position on the frame for node (i, j) = reference pixel (i*step, j*step), px; NaN = not on the frame. */
  readonly x: F64Block;
  readonly y: F64Block;
}

/** Arguments of `demosaicBayer`. */
export interface BayerCall {
  /** f32[height*width]; NaN = no data. */
  readonly mosaic: F32Block;
  /** f32[3*height*width]. */
  readonly out: F32Block;
  readonly width: number;
  readonly height: number;
  /** Column and row, 0 or 1, of the red site of the 2 x 2 pattern. */
  readonly redX: 0 | 1;
  readonly redY: 0 | 1;
  /** ADU from which each colour counts as clipped; the lowest is used for all. */
  readonly saturation: readonly [number, number, number];
}

/** Arguments of `warp`. */
export interface WarpCall {
  /** Planes one after the other, f32[planes * height * width]; NaN = no data. */
  readonly source: F32Block;
  /** What of the frame the source holds. It must hold 3 px more than is asked of it, or end where the frame ends. */
  readonly sourceRect: Rect;
  readonly planes: number;
  readonly grid: GridBlocks;
  readonly tile: Rect;
  /** First plane of the output; rows are `rowLength` apart, planes `planeStride`, in values. */
  readonly out: F32Block;
  readonly outStart: number;
  readonly rowLength: number;
  readonly planeStride: number;
  /** Lanczos table of `makeLanczosTable`. */
  readonly table: F32Block;
  /** f32[planes]: where a value within reach is above this, the result is bilinear and so never leaves the local range. */
  readonly limits: F32Block;
}

/** Arguments of `level`. */
export interface LevelCall {
  readonly data: F32Block;
  readonly start: number;
  readonly rowLength: number;
  readonly tile: Rect;
  readonly scale: number;
  /** f64[6]: surface c0 + c1 X + c2 Y + c3 X^2 + c4 XY + c5 Y^2 with X = (x - centerX)/radius. */
  readonly coefficients: F64Block;
  readonly centerX: number;
  readonly centerY: number;
  readonly radius: number;
}

/** Samples of a tile to combine: plane f starts at `start + f * planeStride`. */
export interface StackCall {
  readonly stack: F32Block;
  readonly frames: number;
  /** Values from one frame's plane to the next, a multiple of 4. */
  readonly planeStride: number;
  /** Values in a row, a multiple of 4; padding is NaN. */
  readonly rowLength: number;
  readonly height: number;
  /** f32[rowLength*height]: the combined value, NaN where nothing contributed. */
  readonly out: F32Block;
  /** f32[rowLength*height]: samples that contributed. */
  readonly kept: F32Block;
}

/** Weights for blocks of 32 x 32 px: `weights[(frame * blockRows + y>>5) * blockColumns + x>>5]`, >= 0. */
export interface BlockWeights {
  readonly weights: F32Block;
  readonly blockColumns: number;
  readonly blockRows: number;
}

/** Arguments of `combineClipped`. */
export interface ClipCall extends StackCall, BlockWeights {
  /** f32[frames * 2]: variance of a sample = a + b * max(center, 0) + (signalShare * max(center - pedestal, 0))^2. */
  readonly variances: F32Block;
  /** f32[blockRows * blockColumns]: sky level below the stars. */
  readonly pedestals: F32Block;
  /** Limits in sigma below and above the median. */
  readonly sigmaLower: number;
  readonly sigmaUpper: number;
  readonly maxIterations: number;
  /** From this many samples on, sigma is at least 1.4826 MAD of the samples. */
  readonly spreadFrom: number;
  readonly signalShare: number;
  /** f32[rowLength*height]: samples clipped. */
  readonly rejected: F32Block;
}

/** Columns of padding (NaN) before the first pixel and at least that many after the last of a row of `FinishCall`. */
export const FINISH_MARGIN = 4;

/** Places in `FinishCall.parameters`. */
export const FINISH_PARAMETERS = {
  /** Three multipliers that balance the camera's colours. */
  multipliers: 0,
  /** Highest balanced level that every colour reaches, ADU. */
  clip: 3,
  /** Balanced camera colour to linear sRGB, row-major 3x3. */
  matrix: 4,
  /** Three offsets that make the blank sky grey, linear sRGB, ADU. */
  cast: 13,
  /** Level of the first entry of the tone table, ADU, and 1 over the span to the last. */
  toneFrom: 16,
  toneScale: 17,
  /** Highest level that lifting may give the land, linear light. */
  landCap: 18,
  /** Chroma multiplier in Oklab. */
  saturation: 19,
  /** Three offsets that make the darkest land grey, linear sRGB, ADU. */
  landCast: 20,
  count: 23,
} as const;

/** Arguments of `finishBand`: some rows of a stack on their way to the picture. */
export interface FinishCall {
  /**
   * Camera colours, planes one after the other, f32[3 * (rows + 4) * rowLength]: two more rows above and below
   * than are made, `FINISH_MARGIN` columns of NaN on the left and at least as many on the right; NaN = no data.
   */
  readonly source: F32Block;
  /** Values in a padded row, a multiple of 4. */
  readonly rowLength: number;
  readonly width: number;
  readonly rows: number;
  /** f32[rows * rowLength], from the first pixel on without margin: share of land 0..1. */
  readonly land: F32Block;
  /** The same shape: 1 / the difference from the surroundings at which smoothing ends, 1/ADU. */
  readonly sharpness: F32Block;
  /** The same shape: share of smoothing, 0..1. */
  readonly smoothing: F32Block;
  /** f32[3 * rows * rowLength], without margin: the sky's gradient in camera colours, ADU; taken off sky alone. */
  readonly gradient: F32Block;
  /** f32[FINISH_PARAMETERS.count]. */
  readonly parameters: F32Block;
  /**
   * f32[4 * (n + 2)]: level and gain of the sky, level and gain of the land, linear light; entry i stands for
   * the share (i / n)^2 of the span.
   */
  readonly tone: F32Block;
  /** f32[2 * (n + 2)]: 16-bit sRGB and the step to the next entry; entry i stands for linear (i / n)^2. */
  readonly encode: F32Block;
  /** u16[3 * rows * width]: red, green, blue side by side. */
  readonly out: U16Block;
}

/** The hot loops. Wasm and plain TypeScript give the same bits. Nothing throws inside; lengths are the caller's duty. */
export interface Kernels {
  readonly memory: KernelMemory;
  /** Puts u16 into f32: (value - offset) * scale, 0 = no data. */
  unpack(packed: U16Block, out: F32Block, offset: number, scale: number): void;
  /**
   * Makes three planes of a Bayer mosaic by gradient-corrected linear interpolation; bilinear beside clipped
   * or missing samples and within 2 px of the edge. Linear, so that the flux of faint and bright stars and
   * their colours are kept. @source H. S. Malvar, L.-W. He and R. Cutler, Proc. IEEE ICASSP (2004) III-485
   */
  demosaicBayer(call: BayerCall): void;
  /** Resamples planes of a frame onto a tile with Lanczos-3 (bilinear beside missing data, edges and clipped stars). */
  warp(call: WarpCall): void;
  /** Scales a plane of a tile and takes a smooth surface off, in place. */
  level(call: LevelCall): void;
  combineMean(call: StackCall & BlockWeights): void;
  combineMedian(call: StackCall): void;
  combineMax(call: StackCall): void;
  /** Iterated clip about the median, then the weighted mean of what is kept; never clips the last sample. */
  combineClipped(call: ClipCall): void;
  /**
   * Makes rows of the picture: gradient off, colours balanced, noise smoothed, tone by the mean of the three
   * colours, saturation in Oklab, 16-bit sRGB. A missing sample is filled from its surroundings; a place without
   * any is black.
   *
   * @returns pixels with a colour at the top of the range
   * @source R. H. Lupton et al., PASP 116 (2004) 133 (colour kept by scaling with one factor); B. Ottosson, Oklab
   * (2020); cube root: E. Halley 1694, started from the exponent as in W. Kahan's note of 1991
   */
  finishBand(call: FinishCall): number;
}

/** Side of a weight block, px. */
export const BLOCK_SIZE = 32;
