import type { FrameHeader, Role } from '../core/index.js';

/**
 * A quick look at a frame's pixels, taken on import so that roles do not rest on headers alone. Levels are
 * fractions of the white level above black; all from a decimated, binned copy, cheap on any frame.
 */
export interface FrameGlimpse {
  /** Median, mean and 99.5th percentile level, fraction of white above black. */
  readonly median: number;
  readonly mean: number;
  readonly high: number;
  /** Robust scatter (1.4826 MAD) of the binned picture after a smooth surface is taken off, fraction of white. */
  readonly scatter: number;
  /** Share of pixels at or above 98 % of white. */
  readonly clippedShare: number;
  /** Largest minus smallest level over a coarse mesh, divided by the mean level; small for a flat. */
  readonly unevenness: number;
  /** Star-like peaks seen in the quick look: compact, wider than one pixel, not repeated on hot pixels. */
  readonly starCount: number;
  /** A small picture, 64 px on the long side, f32 levels as fractions of white, for telling framings apart. */
  readonly thumbnail: {
    readonly width: number;
    readonly height: number;
    readonly data: Float32Array;
  };
  /** Up to 60 bright star-like peaks of the quick look, px of the full frame, brightest first: x, y pairs. */
  readonly peaks: Float32Array;
  /** A rough focus measure: median half-light diameter of the peaks, px; absent without peaks. */
  readonly sharpness?: number;
}

/** One frame as the grouping sees it. */
export interface FrameForGrouping {
  readonly id: string;
  /** Path relative to the card or library, `/` between parts; folder names may hint at a role. */
  readonly path: string;
  readonly header: FrameHeader;
  /** UTC instant of the start of exposure, ms since 1970; absent when the file carries no usable time. */
  readonly startMs?: number;
  /** Absent when the pixels could not be read. */
  readonly glimpse?: FrameGlimpse;
  /** A role or sequence the photographer chose; outranks everything measured. */
  readonly chosenRole?: Role;
}

/** The role found for a frame, with the reason in one plain sentence. */
export interface FrameRole {
  readonly id: string;
  readonly role: Role;
  readonly reason: string;
  /** The frame whose exposure this file also holds (a JPEG beside its RAW): one exposure, counted once (P52). */
  readonly twinOf?: string;
}

/** A hole in the cadence of a run. */
export interface CadenceHole {
  /** Frame after which the hole begins. */
  readonly afterFrameId: string;
  /** s from the expected next start to the real one. */
  readonly length: number;
  readonly likelyCause: string;
}

export interface GroupedSequence {
  /** Frame ids in time order. */
  readonly frameIds: readonly string[];
  readonly role: Role;
  readonly bracketed: boolean;
  /** First frame of each segment after the first (a knock that leaves most of the framing). Refined by alignment. */
  readonly segmentStarts: readonly string[];
  /** Median time from start to start, s; absent for fewer than two frames. */
  readonly cadence?: number;
  readonly holes: readonly CadenceHole[];
  /** Working exposure time, s: the real shutter where the cadence tells it from the nominal one (P03). */
  readonly realExposureTime?: number;
  /** In-camera long-exposure subtraction: from the cadence `likely`, from the maker's note `sure`. */
  readonly inCameraDark?: 'likely' | 'sure';
  /** What a person should know about this run, plain sentences. */
  readonly notes: readonly string[];
}

export interface GroupedSession {
  /** Local date of the evening, `YYYY-MM-DD`; '' for frames without any usable time. */
  readonly night: string;
  /** Position from the headers of the night's frames, where they have one; tells several sites in one night apart. */
  readonly place?: { readonly latitude: number; readonly longitude: number };
  readonly sequences: readonly GroupedSequence[];
}

export interface Grouping {
  readonly roles: readonly FrameRole[];
  readonly sessions: readonly GroupedSession[];
}
