import type { FrameFormat, FrameHeader, Reason, Role, Verdict } from '../core/index.js';

/** A named place. */
export interface SiteRecord {
  readonly id: number;
  readonly name: string;
  readonly latitude?: number;
  readonly longitude?: number;
  /** IANA zone. */
  readonly zone?: string;
  /** m above sea level. */
  readonly elevation?: number;
  /** Darkest zenith brightness known, mag/arcsec^2. */
  readonly skyBrightness?: number;
  /** Where that is from, in words: a meter, a map. */
  readonly skySource?: string;
  readonly notes?: string;
  readonly isDefault: boolean;
}

/** What a photographer intended for a night. */
export interface PlanRecord {
  readonly id: string;
  /** Local date of the evening, `YYYY-MM-DD`. */
  readonly night: string;
  readonly siteId?: number;
  readonly latitude?: number;
  readonly longitude?: number;
  readonly zone?: string;
  readonly camera?: string;
  readonly lens?: string;
  readonly focalLengthMm?: number;
  readonly crop?: number;
  readonly pixelPitchUm?: number;
  readonly sensorWidthMm?: number;
  readonly sensorHeightMm?: number;
  /** Size of the picture, px. */
  readonly imageWidth?: number;
  readonly imageHeight?: number;
  /** True when the camera stands on its side. */
  readonly portrait?: boolean;
  readonly fNumber?: number;
  readonly iso?: number;
  /** s */
  readonly exposureTime?: number;
  readonly frames?: number;
  /** As written: `core`, `arch`, a name, or `RA,DEC`. */
  readonly target?: string;
  /** Trail accepted at the target, px. */
  readonly trailTolerance?: number;
  /** mag/arcsec2, and where it is from; outranks the site's. */
  readonly skyBrightness?: number;
  readonly skySource?: string;
  readonly notes?: string;
}

/** All frames of one night at one site. */
export interface SessionRecord {
  readonly id: string;
  readonly night: string;
  readonly site?: SiteRecord;
  /** IANA zone that wall clocks of this session are read in. */
  readonly zone: string;
  /** Folder relative to the library, `/` between parts. */
  readonly folder: string;
  readonly planId?: string;
  /** s added to every camera clock. */
  readonly clockOffset: number;
  /** s added to the clock of one body (key: serial or camera), instead of `clockOffset`. */
  readonly clockOffsets: Readonly<Record<string, number>>;
  readonly remarks: readonly string[];
  readonly frameCount: number;
  readonly lightCount: number;
}

export interface CadenceHoleRecord {
  readonly afterFrameId: string;
  readonly length: number;
  readonly likelyCause: string;
}

/** Consecutive frames of one role, settings and framing. */
export interface SequenceRecord {
  readonly id: string;
  readonly sessionId: string;
  readonly ordinal: number;
  readonly role: Role;
  readonly bracketed: boolean;
  readonly segments: number;
  readonly segmentStarts: readonly string[];
  readonly camera?: string;
  readonly serial?: string;
  readonly lens?: string;
  readonly focalLengthMm?: number;
  readonly fNumber?: number;
  readonly iso?: number;
  /** As recorded, s; of a bracket the median. */
  readonly exposureTime?: number;
  readonly realExposureTime?: number;
  readonly startMs?: number;
  /** Start of the last frame plus its exposure. */
  readonly endMs?: number;
  readonly cadence?: number;
  readonly inCameraDark?: 'likely' | 'sure';
  readonly holes: readonly CadenceHoleRecord[];
  readonly notes: readonly string[];
  readonly frameCount: number;
  readonly kept: number;
  readonly doubtful: number;
  readonly dropped: number;
  /** s over kept and doubtful lights (over all frames of other roles). */
  readonly totalExposure: number;
  /** Moonlight while the run lasted, percent lit, 0 with the moon down; absent without a site. */
  readonly moonlight?: number;
  readonly moonAltitude?: number;
  /** Lit share of the moon's disc, 0..1. */
  readonly moonIllumination?: number;
  readonly hasStack: boolean;
  /** Where the middle of the picture looks, degrees, J2000, as its stars told. */
  readonly pointing?: { readonly rightAscension: number; readonly declination: number };
  /** Mean star size of kept and doubtful lights, px. */
  readonly fwhm?: number;
}

export interface FileRecord {
  readonly id: number;
  readonly frameId?: string;
  readonly kind: 'frame' | 'attachment';
  readonly isPrimary: boolean;
  /** Relative to the library, `/` between parts. */
  readonly path: string;
  readonly sha256: string;
  readonly size: number;
  /** Name on the card. */
  readonly name: string;
  /** Path on the card, relative to the folder given. */
  readonly cardPath: string;
  /** Modification time on the card, ms since 1970. */
  readonly modifiedMs: number;
  readonly failure?: FileFailure;
}

/** Why a faithfully copied file cannot be used. */
export interface FileFailure {
  readonly code: string;
  readonly message: string;
}

/** A file that could not be copied, or was copied faithfully but is damaged at the source. */
export interface FailedFile {
  /** Path on the card, absolute. */
  readonly file: string;
  readonly copied: boolean;
  readonly code: string;
  readonly message: string;
}

export interface FrameRecord {
  readonly id: string;
  readonly sessionId: string;
  readonly sequenceId?: string;
  /** Order within its sequence, from 0. */
  readonly position?: number;
  readonly role: Role;
  readonly chosenRole?: Role;
  readonly roleReason?: string;
  /** False when its pixels cannot be read; such a frame is never measured or stacked. */
  readonly sound: boolean;
  /** Start of exposure, ms since 1970; absent when the clock is unknown. */
  readonly takenMs?: number;
  readonly header: FrameHeader;
  readonly files: readonly FileRecord[];
  readonly measurement?: MeasurementRecord;
}

/** Per-frame results that the catalogue keeps; px, ADU and deg as in the rest of the program. */
export interface MeasurementRecord {
  readonly starCount?: number;
  readonly fwhm?: number;
  readonly fwhmMinor?: number;
  readonly elongation?: number;
  readonly trailLength?: number;
  readonly trailAngle?: number;
  readonly predictedTrail?: number;
  readonly extraTrail?: number;
  readonly background?: number;
  readonly noise?: number;
  readonly transparency?: number;
  readonly cloudCover?: number;
  readonly fwhmRatio?: number;
  readonly weight?: number;
  readonly offsetX?: number;
  readonly offsetY?: number;
  readonly offsetRotation?: number;
  readonly segment?: number;
  /** What counts: the person's choice where there is one. */
  readonly verdict?: Verdict;
  readonly measuredVerdict?: Verdict;
  readonly verdictBy?: 'measured' | 'person';
  readonly reasons?: readonly Reason[];
  readonly remarks?: readonly string[];
  /** Anything else a stage wants to find again (zones, streaks ...), plain JSON. */
  readonly extra?: unknown;
}

/** A stack as the catalogue keeps it: the STACK of the JSON contract, paths relative to the library. */
export interface StackRecord {
  readonly id: number;
  readonly sequenceId: string;
  /** Folder of its files, relative to the library. */
  readonly folder: string;
  readonly method?: string;
  readonly framesUsed?: number;
  readonly totalExposure?: number;
  /** True when frames joined or left its sequence since. */
  readonly stale: boolean;
  /** `alignment`, `noise` and `files` of the contract; `files` hold paths relative to the library. */
  readonly body: StackBody;
}

export interface StackBody {
  readonly alignment?: unknown;
  readonly noise?: unknown;
  readonly files?: Readonly<Record<string, string>>;
  readonly pictures?: readonly PictureRecord[];
  /** Whatever else the stage wants to keep. */
  readonly [more: string]: unknown;
}

/** A picture that was finished again from a stack; paths relative to the library. */
export interface PictureRecord {
  readonly name: string;
  /** Name of its look. */
  readonly look: string;
  readonly files: Readonly<Record<string, string>>;
}

export interface MasterRecord {
  readonly id: string;
  readonly kind: 'dark' | 'flat' | 'bias';
  readonly camera?: string;
  readonly iso?: number;
  readonly exposureTime?: number;
  readonly temperature?: number;
  readonly night?: string;
  readonly width?: number;
  readonly height?: number;
  readonly decoder?: string;
  readonly frameCount: number;
  readonly sequenceId?: string;
  /** Relative to the library. */
  readonly path: string;
  readonly body?: unknown;
}

export type { FrameFormat };
