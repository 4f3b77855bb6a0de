import { quantile, radToDeg, type StarTable } from '../core/index.js';
import type { MapPoint, ZoneResidual } from './types.js';

/** Displacement of the frame's centre by a mapping, px, and the turn of the picture there, deg. */
export function motionOf(
  map: MapPoint,
  size: { readonly width: number; readonly height: number },
): { x: number; y: number; rotation: number } {
  const cx = (size.width - 1) / 2;
  const cy = (size.height - 1) / 2;
  const middle = map(cx, cy);
  const arm = size.width / 8;
  const left = map(cx - arm, cy);
  const right = map(cx + arm, cy);
  return {
    x: middle[0] - cx,
    y: middle[1] - cy,
    rotation: radToDeg(Math.atan2(right[1] - left[1], right[0] - left[0])),
  };
}

/** Residuals gathered: squares by frame, outer tenth and zone. */
export interface Gathered {
  readonly rms: Float64Array;
  readonly cornerRms: Float64Array;
  readonly matched: Int32Array;
  readonly totalRms: number;
  readonly totalCornerRms: number;
  readonly zones: ZoneResidual[];
}

const ZONES = 5;

/**
 * Sorts residuals by frame and zone (5 x 5). The outer tenth is the tenth of the frame's area that lies
 * farthest from its middle.
 */
export function gather(
  residuals: {
    readonly frame: ArrayLike<number>;
    readonly x: ArrayLike<number>;
    readonly y: ArrayLike<number>;
    readonly dx: ArrayLike<number>;
    readonly dy: ArrayLike<number>;
  },
  size: { readonly width: number; readonly height: number; readonly frameCount: number },
): Gathered {
  const { width, height, frameCount } = size;
  const outer = outerTenth(width, height);
  const sum = new Float64Array(frameCount);
  const cornerSum = new Float64Array(frameCount);
  const matched = new Int32Array(frameCount);
  const corner = new Int32Array(frameCount);
  const zoneSum = new Float64Array(ZONES * ZONES);
  const zoneCount = new Int32Array(ZONES * ZONES);
  for (let k = 0; k < residuals.frame.length; k++) {
    const i = residuals.frame[k]!;
    const r2 = residuals.dx[k]! ** 2 + residuals.dy[k]! ** 2;
    sum[i]! += r2;
    matched[i]!++;
    const radius = Math.hypot(residuals.x[k]! - (width - 1) / 2, residuals.y[k]! - (height - 1) / 2);
    if (radius >= outer) {
      cornerSum[i]! += r2;
      corner[i]!++;
    }
    const column = Math.min(ZONES - 1, Math.max(0, Math.floor((residuals.x[k]! / width) * ZONES)));
    const row = Math.min(ZONES - 1, Math.max(0, Math.floor((residuals.y[k]! / height) * ZONES)));
    zoneSum[row * ZONES + column]! += r2;
    zoneCount[row * ZONES + column]!++;
  }
  const root = (a: number, n: number) => (n > 0 ? Math.sqrt(a / n) : Number.NaN);
  const total = (a: ArrayLike<number>) => Array.from(a).reduce((s, v) => s + v, 0);
  return {
    rms: Float64Array.from(sum, (s, i) => root(s, matched[i]!)),
    cornerRms: Float64Array.from(cornerSum, (s, i) => root(s, corner[i]!)),
    matched,
    totalRms: root(total(sum), total(matched)),
    totalCornerRms: root(total(cornerSum), total(corner)),
    zones: Array.from(zoneSum, (s, z) => ({
      column: z % ZONES,
      row: Math.floor(z / ZONES),
      rms: root(s, zoneCount[z]!),
      count: zoneCount[z]!,
    })),
  };
}

/** Radius beyond which a tenth of the frame's area lies, px. */
export function outerTenth(width: number, height: number): number {
  const radii: number[] = [];
  for (let j = 0; j < 40; j++) {
    for (let i = 0; i < 40; i++) {
      radii.push(Math.hypot(((i + 0.5) / 40 - 0.5) * width, ((j + 0.5) / 40 - 0.5) * height));
    }
  }
  return quantile(radii, 0.9);
}

/** 75th percentile of each track's flux through the run. */
export function fluxOfTracks(
  tables: readonly StarTable[],
  tracks: readonly (readonly (readonly [number, number])[])[],
): Float32Array {
  return Float32Array.from(tracks, (track) =>
    quantile(
      track.map(([i, row]) => tables[i]!.flux[row]!),
      0.75,
    ),
  );
}
