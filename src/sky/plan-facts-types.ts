import type { Horizontal } from './coordinates.js';
import type { SunBelow } from './darkness.js';
import type { ExposureSense } from './exposure.js';
import type { ArchPoint } from './framing.js';
import type { SeasonMonth, SeasonNight } from './season.js';

/** A stretch of time as ISO 8601 instants ending in Z. */
export interface IntervalText {
  readonly start: string;
  readonly end: string;
}

/** Shutter limits, s, and trails, px, at the target's declination on the axis. What cannot be known is absent. */
export interface ShutterFacts {
  readonly rule500?: number;
  readonly npfSimple?: number;
  /** k = 1 and k = 2; absent at the celestial pole, where there is no limit. */
  readonly npfFull?: number;
  readonly npfFull2?: number;
  readonly trailAtPlanned?: number;
  readonly longestForTolerance?: number;
  /** px */
  readonly tolerance: number;
  /** Declination that the limits hold for, of date, deg; 0 for the arch, which crosses the equator. */
  readonly declination: number;
  /** arcsec/px */
  readonly plateScale?: number;
  /** What the planned shutter really is on bodies whose series doubles, s, and the trail then, px. */
  readonly realShutter?: number;
  readonly trailAtReal?: number;
  /** Trail that each rule allows, px. */
  readonly trailAtRule500?: number;
  readonly trailAtNpfSimple?: number;
  readonly trailAtNpfFull?: number;
  readonly trailAtNpfFull2?: number;
  /** The longest trail in a corner of the frame when it is aimed at the target, px; absent when it is never up. */
  readonly cornerTrailAtPlanned?: number;
  readonly cornerTrailAtRule500?: number;
  readonly cornerTrailAtNpfSimple?: number;
  readonly cornerTrailAtNpfFull?: number;
  readonly cornerTrailAtNpfFull2?: number;
}

/** The night's light; instants absent when they do not happen. */
export interface DarknessFacts {
  readonly dusk?: string;
  readonly dawn?: string;
  readonly hours: number;
  readonly state: SunBelow['state'];
  readonly sunset?: string;
  readonly sunrise?: string;
  readonly civilDusk?: string;
  readonly civilDawn?: string;
  readonly nauticalDusk?: string;
  readonly nauticalDawn?: string;
  readonly darkest: string;
  /** deg */
  readonly lowestSun: number;
  readonly text: string;
}

/** The moon of the night. */
export interface MoonFacts {
  /** Illuminated share in the middle of the night, 0 to 1. */
  readonly illumination: number;
  readonly waxing: boolean;
  /** In words: new moon, waxing crescent, first quarter and so on. */
  readonly phase: string;
  readonly rise?: string;
  readonly set?: string;
  /** Highest geometric altitude, deg, while it is dark (from sunset to sunrise when it never gets dark). */
  readonly maxAltitude: number;
  readonly maxAltitudeAt: string;
  /** When it is up between noon and noon. */
  readonly up: readonly IntervalText[];
  /** Most that the moon brightens the target's sky while it is dark, mag. */
  readonly maxBrightening?: number;
}

/** The target through the night. */
export interface TargetFacts {
  readonly name: string;
  /** J2000, deg; absent for the arch. */
  readonly rightAscension?: number;
  readonly declination?: number;
  /** Apparent place of date, deg. */
  readonly ofDate?: { readonly rightAscension: number; readonly declination: number };
  readonly rise?: string;
  readonly transit?: string;
  readonly transitAltitude?: number;
  readonly set?: string;
  readonly state?: 'rises-and-sets' | 'always-up' | 'never-up';
  readonly altitudes: readonly {
    readonly time: string;
    readonly altitude: number;
    readonly apparentAltitude: number;
    readonly azimuth: number;
    readonly airmass?: number;
    /** Brightening of the target's sky by the moon, mag. */
    readonly moonBrightening?: number;
  }[];
}

/** The sky at the site as far as the plan tells. */
export interface SkyFacts {
  /** Moonless zenith, mag/arcsec2. */
  readonly brightness?: number;
  /** A hint by the table named in `source`. */
  readonly class?: string;
  readonly source?: string;
  /** The class by each table in use. */
  readonly classes?: readonly { readonly table: string; readonly class: string }[];
}

/** When to shoot. */
export interface WindowFacts {
  /** The longest usable stretch; absent when there is none. */
  readonly start?: string;
  readonly end?: string;
  /** All usable hours. */
  readonly hours: number;
  readonly intervals: readonly IntervalText[];
  readonly darkAndUpHours: number;
  readonly moonDownHours: number;
  readonly minimumAltitude: number;
  readonly harmlessMoon: number;
  readonly text: string;
}

/** What the run of frames takes and gives. */
export interface RunFacts {
  /** True where the plan leaves shutter or frames open and the suggested ones were taken. */
  readonly suggested?: boolean;
  /** s */
  readonly exposureTime: number;
  readonly frames?: number;
  /** From the first frame's start to the last one's end, s, with a pause of `PLAN_DEFAULTS.pause` between. */
  readonly duration?: number;
  /** s */
  readonly totalExposure?: number;
  /** Noise of one frame / noise of the mean. */
  readonly noiseGain?: number;
  /** How far the sky turns in the run, deg. */
  readonly skyTurn?: number;
  /** Share of the frame whose sky every frame sees, 0 to 1. */
  readonly commonSky?: number;
  /** Most that the frames can take on the card, bytes. */
  readonly cardBytes?: number;
  /** Frames that fit into the best window. */
  readonly framesInWindow: number;
  /** Frames and time, s, for round noise gains. */
  readonly forGain: readonly { readonly gain: number; readonly frames: number; readonly duration: number }[];
}

/** The galactic equator in the frame, aimed at the target in mid-window, at both ends of the window. */
export interface ArchFacts extends IntervalText {
  readonly aim: Horizontal;
  /** Width of the frame over its height. */
  readonly aspect: number;
  readonly atStart: readonly ArchPoint[];
  readonly atEnd: readonly ArchPoint[];
}

/** The 12 months from the plan's night. */
export interface SeasonFacts {
  readonly best: readonly SeasonNight[];
  readonly months: readonly SeasonMonth[];
  readonly evenings: readonly { readonly from: string; readonly to: string }[];
  readonly text: string;
}

/** A value for something the plan leaves open. */
export interface Suggestion {
  readonly field: 'shutter' | 'iso' | 'frames';
  readonly value: number;
  readonly reason: string;
}

/** The computed part of a plan, as JSON. */
export interface PlanFacts {
  readonly shutter: ShutterFacts;
  readonly darkness: DarknessFacts;
  readonly moon: MoonFacts;
  readonly target: TargetFacts;
  readonly sky: SkyFacts;
  readonly window: WindowFacts;
  /** Absent where no shutter is planned and none can be suggested. */
  readonly run?: RunFacts;
  /** Absent without a window or a focal length. */
  readonly arch?: ArchFacts;
  /** Absent unless asked for and unless the sensor was measured. */
  readonly exposure?: ExposureSense;
  /** Absent unless asked for. */
  readonly season?: SeasonFacts;
  readonly suggestions: readonly Suggestion[];
  /** Plain sentences: what was assumed, what stands against the plan. */
  readonly notes: readonly string[];
}
