import { type CfaPattern, DataError, InputError, type Mask } from '../core/index.js';
import type { DemosaicMethod } from './demosaic.js';
import type { PackRange } from './pack.js';
import type { CoarseMap, Surface, TileMethod, WarpGrid } from './types.js';

/** Variance of a demosaiced, resampled and scaled sample, ADU^2: `constant + slope * level`. */
export interface SampleVariance {
  readonly constant: number;
  readonly slope: number;
}

/** Three values, red, green, blue. */
export type PerColor<T> = readonly [T, T, T];

/** One kept frame and how it enters the stack. */
export interface StackFrame {
  /** Stable name; frames are combined in the order of their ids, whatever the order given. */
  readonly id: string;
  /** Where the reference's sky pixels lie on this frame. */
  readonly grid: WarpGrid;
  /** Where the reference's land pixels lie on this frame; default: where they are. */
  readonly landGrid?: WarpGrid;
  /** Factor that brings the frame's light to the reference's: 1/transparency, times the exposure ratio. */
  readonly scale: number;
  /** Factor for the land, where cloud takes nothing away: the exposure ratio alone; default 1. */
  readonly landScale?: number;
  /** Taken off after scaling, per colour; default nothing. */
  readonly level?: PerColor<Surface>;
  /** Weight of the frame's sky, > 0: transparency^2 / noise^2. */
  readonly weight: number;
  /** Further factors for parts of the sky (patchy cloud), >= 0, over the reference grid. */
  readonly zoneWeights?: CoarseMap;
  /** Noise of a sample of the sky, after `scale`, per colour. */
  readonly variance: PerColor<SampleVariance>;
}

/** How samples are combined. */
export interface CombineOptions {
  readonly method: TileMethod;
  /** Clip limits in sigma; default 4 below, 3 above: what passes over the sky is bright. */
  readonly sigmaLower: number;
  readonly sigmaUpper: number;
  /** Clip rounds at most; default 6. */
  readonly maxIterations: number;
  /** From this many samples on sigma is at least their own spread (1.4826 MAD); default 10. */
  readonly spreadFrom: number;
  /** Scatter of a star's pixel through seeing and resampling, as a share of its signal; default 0.12. */
  readonly signalShare: number;
}

/** Values of `CombineOptions` for the sky; the land is clipped closer since stars cross it. */
export const SKY_COMBINE: CombineOptions = {
  method: 'clipped-mean',
  sigmaLower: 4,
  sigmaUpper: 3,
  maxIterations: 6,
  spreadFrom: 10,
  signalShare: 0.12,
};
export const LAND_COMBINE: CombineOptions = {
  ...SKY_COMBINE,
  sigmaUpper: 2.5,
  signalShare: 0.05,
};

/** A stack before its tiles are made. */
export interface StackInput {
  readonly width: number;
  readonly height: number;
  /** Absent for frames without a colour filter. */
  readonly cfa?: CfaPattern;
  /** Planes that a crop holds: 1 for a mosaic or a camera without filter, 3 for colour. */
  readonly sourcePlanes: 1 | 3;
  readonly frames: readonly StackFrame[];
  readonly pack: PackRange;
  readonly demosaic?: DemosaicMethod;
  /** Multipliers that make grey equal in red, green and blue: colours are compared so while demosaicing. */
  readonly balance?: PerColor<number>;
  /** ADU at which each colour counts as clipped; resampling is bilinear beside such pixels. */
  readonly saturation: PerColor<number>;
  readonly sky?: Partial<CombineOptions>;
  readonly land?: Partial<CombineOptions>;
  /**
   * Land on the unmoved grid, 1 = land: left out of the sky stack, so that the turning horizon neither
   * smears nor doubles (P09). Moves with a frame's land grid. A pixel or two too many does no harm.
   */
  readonly landMask?: Mask;
  /** Sky level of the reference, per colour: what a star's signal is counted from. */
  readonly skySurface?: PerColor<Surface>;
}

/** A checked stack: frames in the order of their ids, options filled in. */
export interface StackPlan extends StackInput {
  readonly demosaic: DemosaicMethod;
  readonly skyOptions: CombineOptions;
  readonly landOptions: CombineOptions;
}

/** Chooses how to combine: a plain mean below four frames, where a clip has nothing to hold on to. */
export function chooseMethod(frames: number, wanted?: TileMethod): TileMethod {
  return wanted ?? (frames >= 4 ? 'clipped-mean' : 'mean');
}

/**
 * Checks and completes a stack.
 *
 * @throws {InputError} VALUE_OUT_OF_RANGE for a weight, scale or limit that is not positive
 * @throws {DataError} TOO_FEW_FRAMES when there is none; SIZE_MISMATCH when a grid does not reach the last pixel
 */
export function makeStackPlan(input: StackInput): StackPlan {
  if (input.frames.length === 0) {
    throw new DataError('TOO_FEW_FRAMES', 'Expected at least one kept frame to stack but received none.');
  }
  for (const frame of input.frames) {
    if (!(frame.weight > 0 && frame.scale > 0 && (frame.landScale ?? 1) > 0)) {
      throw new InputError(
        'VALUE_OUT_OF_RANGE',
        `Expected a weight and scale above 0 for frame ${frame.id} but received ${frame.weight} and ${frame.scale}.`,
      );
    }
    const { step, columns, rows } = frame.grid;
    if ((columns - 1) * step < input.width - 1 || (rows - 1) * step < input.height - 1) {
      throw new DataError(
        'SIZE_MISMATCH',
        `Expected the warp grid of frame ${frame.id} to reach ${input.width}x${input.height} px.`,
      );
    }
  }
  const method = chooseMethod(input.frames.length, input.sky?.method);
  return {
    ...input,
    demosaic: input.demosaic ?? 'gradient-corrected',
    frames: [...input.frames].sort((a, b) => (a.id < b.id ? -1 : a.id > b.id ? 1 : 0)),
    skyOptions: { ...SKY_COMBINE, ...input.sky, method },
    landOptions: { ...LAND_COMBINE, method, ...input.land },
  };
}
