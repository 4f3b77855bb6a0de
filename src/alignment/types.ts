import type { StarTable } from '../core/index.js';

/** One frame as the alignment sees it. */
export interface AlignFrame {
  readonly id: string;
  readonly stars: StarTable;
  /** Mid-exposure, s since any origin common to the run; absent when the clock is unknown. */
  readonly time?: number;
  /** Working exposure time, s; absent when unknown. */
  readonly exposureTime?: number;
}

export interface AlignOptions {
  /** Size of the frames, px. */
  readonly width: number;
  readonly height: number;
  /** Focal length from the header and pixel pitch, px: a hint only. */
  readonly focalLengthPx?: number;
  /** A lens remembered from an earlier night with the same body, lens and focal length. */
  readonly lensPrior?: LensModel;
  /** Index of the reference frame; default the middle one. */
  readonly referenceIndex?: number;
  /** Geographic latitude, deg, where known: ties the zenith to the pole when refraction is fitted; never needed. */
  readonly latitude?: number;
  /** EXIF orientation 1..8, where known: which side of the picture was up. A hint only. */
  readonly orientation?: number;
  /** Seed of anything random inside; equal seeds give equal results. */
  readonly seed?: number;
}

/**
 * Lens: ideal image plane to pixels. With (u, v) = tangent-plane coordinates X/Z, Y/Z of a direction in the
 * camera's axes and r2 = u^2+v^2: pixel = center + focalLengthPx * (u, v) * (1 + k1 r2 + k2 r2^2) for
 * `rectilinear`. @source D.C. Brown, Photogrammetric Engineering 32 (1966) 444.
 */
export interface LensModel {
  readonly projection: 'rectilinear' | 'equidistant' | 'equisolid' | 'stereographic';
  readonly focalLengthPx: number;
  readonly centerX: number;
  readonly centerY: number;
  readonly k1: number;
  readonly k2: number;
  /** Third and fourth radial terms, times r2^3 and r2^4; absent = 0. */
  readonly k3?: number;
  readonly k4?: number;
  /** Decentring terms: u += 2 p1 u v + p2 (r2 + 2 u^2), v += p1 (r2 + 2 v^2) + 2 p2 u v; absent = 0. @source Brown 1966. */
  readonly p1?: number;
  readonly p2?: number;
  /** Unequal scale of the two axes, u += stretch u, v -= stretch v, and shear, u += shear v, v += shear u; absent = 0. */
  readonly stretch?: number;
  readonly shear?: number;
}

/** A value with what the data say about it. */
export interface Estimate {
  readonly value: number;
  /** 1-sigma. */
  readonly error: number;
  /** False when the data do not hold this value (a prior or a degenerate direction does): report as unknown. */
  readonly known: boolean;
}

/**
 * Lens, pole and rate shared by a run. The rotation of frame i relative to the reference is the turn about
 * `pole` (unit vector in the reference camera's axes: x right, y down, z forward) by the frame's angle,
 * followed by the frame's own small rotation.
 */
export interface SkyMotionModel {
  readonly lens: LensModel;
  readonly pole: readonly [number, number, number];
  /**
   * Refraction, the one low-order term: [zenith x, y, z in the reference camera's axes, strength], strength 1 =
   * the standard atmosphere, all zero when not used. Breathing is `FrameFit.scale`.
   */
  readonly lowOrder: readonly number[];
}

export interface FrameFit {
  readonly id: string;
  readonly status: 'fitted' | 'left-out';
  /** Why a frame was left out, one plain sentence. */
  readonly reason?: string;
  /** Segment the frame belongs to, from 0: a knock of the tripod starts a new one. */
  readonly segment: number;
  /** Row-major 3x3 rotation from the reference camera's axes to this frame's; identity for the reference. */
  readonly rotation: readonly number[];
  /** Turn of the sky by the clock from the reference to this frame, rad about `model.pole`. */
  readonly turn?: number;
  /** Focal length of this frame over the model's (breathing, zoom creep); absent = 1. */
  readonly scale?: number;
  /** Mid-exposure, s, as given. */
  readonly time?: number;
  /** Per-frame plane mapping (row-major 3x3 homography, reference px -> frame px) when no sky-motion model holds. */
  readonly homography?: readonly number[];
  /** Residual of matched stars, px rms over both axes together (sqrt(mean(dx^2+dy^2))), whole frame and outer tenth by radius. */
  readonly rms: number;
  readonly cornerRms: number;
  readonly matched: number;
  /** Displacement of the reference's centre on this frame, px, and the rotation of the picture, deg. */
  readonly offset: {
    readonly x: number;
    readonly y: number;
    readonly rotation: number;
  };
  /** Motion of the camera itself (head sag, knock) against the reference, px at the centre, sky's turn removed. */
  readonly headMotion: {
    readonly x: number;
    readonly y: number;
    readonly rotation: number;
  };
}

/** Residual over one zone of the frame, all frames together. */
export interface ZoneResidual {
  readonly column: number;
  readonly row: number;
  readonly rms: number;
  readonly count: number;
}

export interface Alignment {
  readonly width: number;
  readonly height: number;
  readonly method: 'sky-motion' | 'homography' | 'similarity' | 'none';
  readonly referenceIndex: number;
  readonly model?: SkyMotionModel;
  /** Same order as the frames given. */
  readonly frames: readonly FrameFit[];
  readonly segmentCount: number;
  readonly rms: number;
  readonly cornerRms: number;
  readonly zones: readonly ZoneResidual[];
  readonly focalLengthPx?: Estimate;
  /** Where the nearer celestial pole falls on the reference frame, px (may be outside), and the error, deg. */
  readonly polePosition?: {
    readonly x: number;
    readonly y: number;
    readonly error: number;
    readonly known: boolean;
  };
  /** Tracks of the same star through the run: `rows[frame * trackCount + track]` = row in that frame's table, or -1. */
  readonly trackCount: number;
  readonly trackRows: Int32Array;
  /** Where each track's star lies on the reference frame by all its frames together, px (may be outside the frame). */
  readonly trackX?: Float64Array;
  readonly trackY?: Float64Array;
  /** Direction of each track's star in the reference camera's axes, above refraction: x, y, z each. */
  readonly trackDirections?: Float64Array;
  /** Brightest quarter (75th percentile) of the star's flux through the run, ADU. */
  readonly trackFlux?: Float32Array;
  readonly notes: readonly string[];
}

/** Maps a place on the reference frame to the place on frame `index` that shows the same sky. Returns [x, y]; NaN outside the model. */
export type MapPoint = (x: number, y: number) => readonly [number, number];
