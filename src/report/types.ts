import type { Reason, Verdict } from '../core/index.js';
import type { PlanFacts } from '../sky/index.js';

/** A straight line of light found on a frame, px. */
export interface ReportStreak {
  readonly x1: number;
  readonly y1: number;
  readonly x2: number;
  readonly y2: number;
  readonly width: number;
  /** ADU above the sky. */
  readonly brightness: number;
}

/** One light as the report shows it. */
export interface ReportFrame {
  readonly id: string;
  /** File name as it came off the card. */
  readonly name: string;
  /** Path of the original relative to the page. */
  readonly file?: string;
  readonly takenAt?: string;
  readonly verdict: Verdict;
  readonly byPerson: boolean;
  readonly reasons: readonly Reason[];
  readonly remarks: readonly string[];
  /** Working exposure time, s. */
  readonly exposureTime?: number;
  readonly starCount?: number;
  /** px */
  readonly fwhm?: number;
  readonly fwhmRatio?: number;
  /** fwhm in the middle of the frame and, median, in its four corners, px. */
  readonly fwhmMiddle?: number;
  readonly fwhmCorners?: number;
  readonly trailLength?: number;
  readonly predictedTrail?: number;
  /** 0..1 */
  readonly transparency?: number;
  /** ADU a second. */
  readonly skyRate?: number;
  readonly temperature?: number;
  readonly sunAltitude?: number;
  readonly moonAltitude?: number;
  readonly targetAltitude?: number;
  readonly segment?: number;
  readonly clippedShare?: number;
  /** Size as stored, px. */
  readonly width?: number;
  readonly height?: number;
  /** True when the stored picture is turned by a quarter for viewing. */
  readonly sideways?: boolean;
  /** Motion of the camera itself against the reference frame, px at the middle. */
  readonly headMotion?: { readonly x: number; readonly y: number };
  readonly streaks: readonly ReportStreak[];
  /** Path of its small picture relative to the page. */
  readonly thumbnail?: string;
  /** Path of a strip of bright stars from the middle and the corners, relative to the page. */
  readonly stars?: string;
}

/** What crossed the sky in one frame. */
export interface ReportTransient {
  readonly frameId: string;
  readonly name: string;
  readonly takenAt?: string;
  /** What it probably was; `line` where nothing more can be said. */
  readonly kind: 'aircraft' | 'satellite' | 'meteor' | 'line';
  /** px on that frame */
  readonly length: number;
  /** What the naming rests on, one or two sentences. */
  readonly why: string;
  /** Path of a cut-out relative to the page. */
  readonly picture?: string;
}

/** A map drawn as a grid of numbers, row by row; null = nothing known. */
export interface GridMap {
  readonly columns: number;
  readonly rows: number;
  readonly values: readonly (number | null)[];
}

/** What the alignment found, for people. */
export interface ReportAlignment {
  readonly method: string;
  /** px; absent when nothing was aligned. */
  readonly rms?: number;
  readonly cornerRms?: number;
  readonly matchedFrames: number;
  readonly residuals?: GridMap;
  readonly focalLengthMm?: number;
  readonly focalLengthPx?: number;
  readonly plateScale?: number;
  readonly segmentCount: number;
  readonly notes: readonly string[];
}

export interface ReportStack {
  readonly method: string;
  readonly framesUsed: number;
  /** s */
  readonly totalExposure: number;
  readonly noise?: {
    readonly singleFrame: number;
    readonly stack: number;
    readonly gain: number;
    readonly ideal: number;
  };
  /** One sentence a master. */
  readonly mastersUsed: readonly string[];
  /** Share of samples left out by the clip, 0..1. */
  readonly rejectedShare?: number;
  /** Paths relative to the page. */
  readonly picture?: string;
  /** Size of the picture beside the page, px. */
  readonly pictureSize?: { readonly width: number; readonly height: number };
  readonly single?: string;
  readonly coverage?: string;
  readonly rejected?: string;
  readonly mask?: string;
  readonly files: Readonly<Record<string, string>>;
  readonly notes: readonly string[];
}

/** One run of lights. */
export interface ReportRun {
  readonly sequenceId: string;
  readonly settings: string;
  readonly camera?: string;
  readonly lens?: string;
  readonly exposureTime?: number;
  readonly realExposureTime?: number;
  readonly iso?: number;
  readonly fNumber?: number;
  readonly focalLengthMm?: number;
  readonly start?: string;
  readonly end?: string;
  readonly cadence?: number;
  /** Whether the camera takes a dark of its own after each frame. */
  readonly inCameraDark?: 'likely' | 'sure';
  readonly holes: readonly {
    readonly length: number;
    readonly likelyCause: string;
    readonly after: string;
  }[];
  readonly notes: readonly string[];
  readonly remarks: readonly string[];
  /** Pixels that were wrong in frame after frame and were repaired. */
  readonly defectCount?: number;
  readonly frames: readonly ReportFrame[];
  /** Id of the sharpest kept frame. */
  readonly sharpest?: string;
  /** Lines long and thin enough to be told one by one. */
  readonly transients: readonly ReportTransient[];
  readonly alignment?: ReportAlignment;
  readonly stack?: ReportStack;
}

/** A sequence that is no run of lights. */
export interface ReportOther {
  readonly role: string;
  readonly frameCount: number;
  readonly settings: string;
  readonly start?: string;
  readonly note?: string;
}

export interface ReportPlan {
  readonly id: string;
  readonly siteName?: string;
  readonly focalLengthMm?: number;
  readonly fNumber?: number;
  readonly iso?: number;
  readonly exposureTime?: number;
  readonly frames?: number;
  readonly target?: string;
  readonly notes?: string;
  readonly facts?: PlanFacts;
}

/** A place on a round chart: zenith (0, 0), horizon at radius 1, x right, y down, north up, east left. */
export type ChartPlace = readonly [x: number, y: number];

/** The sky overhead at one instant. */
export interface ReportSky {
  readonly at: string;
  readonly stars: readonly (readonly [x: number, y: number, magnitude: number])[];
  /** The galactic equator, in stretches. */
  readonly arch: readonly (readonly ChartPlace[])[];
  readonly moon?: ChartPlace;
  readonly target?: { readonly name: string; readonly place: ChartPlace };
}

/** All that the page says; its JSON twin is this record. */
export interface ReportData {
  readonly session: {
    readonly id: string;
    readonly night: string;
    readonly site: {
      readonly name: string;
      readonly latitude?: number;
      readonly longitude?: number;
      readonly zone: string;
    };
  };
  readonly madeAt: string;
  readonly toolVersion: string;
  readonly plan?: ReportPlan;
  /** The night as it really was, for the run with most lights; absent without a position. */
  readonly facts?: PlanFacts;
  readonly runs: readonly ReportRun[];
  readonly others: readonly ReportOther[];
  readonly unreadable: readonly {
    readonly name: string;
    readonly code: string;
    readonly message: string;
  }[];
  /** The whole sky in the middle of the longest run; absent without a position. */
  readonly sky?: ReportSky;
  readonly remarks: readonly string[];
  readonly notes: string;
}

/** One line of the table that sets two nights side by side. */
export interface CompareLine {
  readonly what: string;
  readonly here: string;
  readonly there: string;
}

/** Sentences and tables worked out from the data: what the page prints, word by word. */
export interface Told {
  readonly title: string;
  readonly headline: string;
  readonly tally: {
    readonly lights: number;
    readonly kept: number;
    readonly doubtful: number;
    readonly dropped: number;
  };
  readonly matters: readonly string[];
  readonly planAndFact: readonly PlanFactLine[];
  readonly advice: readonly Advice[];
  /** One a run, in the same order. */
  readonly events: readonly (readonly string[])[];
  /** What the noise gain of each stack would be with more frames of the same kind. */
  readonly moreFrames: readonly {
    readonly sequenceId: string;
    readonly frames: number;
    readonly gain: number;
  }[];
  readonly compare?: { readonly title: string; readonly lines: readonly CompareLine[] };
}

/** One line of the table "plan and fact". */
export interface PlanFactLine {
  readonly what: string;
  readonly planned: string;
  readonly happened: string;
  readonly meant: string;
}

/** One piece of advice, with what it rests on and what it would change. */
export interface Advice {
  readonly id: string;
  readonly text: string;
  readonly because: string;
  readonly effect: string;
}
