import type { FrameHeader, Role } from '../core/index.js';
import { agrees, sameSize } from './_settings.js';

/** A set of calibration frames, or the lights that want one. */
export interface CalibrationSet {
  readonly id: string;
  readonly role: Role;
  /** The common header of the set: camera, ISO, shutter, size, focal length, aperture. */
  readonly header: FrameHeader;
  /** Median sensor temperature, deg C; overrides the header's. */
  readonly temperature?: number;
  /** Frames in the set. */
  readonly count: number;
  /** Name and version of what decoded the pixels, where known: other decoders cut other geometry (L07). */
  readonly decoder?: string;
  /** Start of the first frame, ms since 1970. */
  readonly startMs?: number;
}

/** How a set of calibration frames fits the lights. */
export interface MasterMatch {
  readonly id: string;
  readonly role: 'dark' | 'flat' | 'bias';
  /** `good`: everything known agrees; `fair`: something is unknown or near its limit; `refused`: it does not match. */
  readonly quality: 'good' | 'fair' | 'refused';
  /** What decides, one plain sentence. */
  readonly reason: string;
  /** Noise that a dark or bias of this many frames adds to a single light, sqrt(1 + 1/N) - 1 (P15). */
  readonly addedNoise: number;
}

/** Shutters of dark and light agree within this share (P13, P03). */
const SHUTTER_SHARE = 0.1;
/** Temperatures agree within this, deg C; the camera's own reading is off by several degrees (P14). */
const TEMPERATURE_SPAN = 5;

/**
 * Tells which darks, flats and biases fit a run of lights, best first; those that do not fit come last, with the
 * reason. Unknown exposure, ISO or temperature makes a match `fair`, never refuses it.
 */
export function matchMasters(lights: CalibrationSet, candidates: readonly CalibrationSet[]): MasterMatch[] {
  const ranked = candidates
    .flatMap((set) => {
      if (set.role !== 'dark' && set.role !== 'flat' && set.role !== 'bias') return [];
      const match = matchOne(lights, set, set.role);
      return [{ match, set }];
    })
    .sort((a, b) => RANK[a.match.quality] - RANK[b.match.quality] || closeness(lights, a.set, b.set));
  return ranked.map(({ match }) => match);
}

const RANK = { good: 0, fair: 1, refused: 2 } as const;

/** More frames first, then nearer in temperature, then nearer in time, then by id. */
function closeness(lights: CalibrationSet, a: CalibrationSet, b: CalibrationSet): number {
  const cold = (set: CalibrationSet) =>
    Math.abs((temperatureOf(set) ?? 99) - (temperatureOf(lights) ?? temperatureOf(set) ?? 99));
  const when = (set: CalibrationSet) => Math.abs((set.startMs ?? 0) - (lights.startMs ?? 0));
  return (
    Math.round(cold(a) - cold(b)) ||
    b.count - a.count ||
    when(a) - when(b) ||
    (a.id < b.id ? -1 : a.id > b.id ? 1 : 0)
  );
}

const temperatureOf = (set: CalibrationSet): number | undefined => set.temperature ?? set.header.temperature;

function matchOne(lights: CalibrationSet, set: CalibrationSet, role: 'dark' | 'flat' | 'bias'): MasterMatch {
  const addedNoise = role === 'flat' ? 0 : Math.sqrt(1 + 1 / Math.max(1, set.count)) - 1;
  const answer = (quality: MasterMatch['quality'], reason: string): MasterMatch => ({
    id: set.id,
    role,
    quality,
    reason,
    addedNoise,
  });
  const refusal = refusalOf(lights, set, role);
  if (refusal) return answer('refused', refusal);
  const doubts = doubtsOf(lights, set, role);
  if (doubts.length > 0) return answer('fair', `It fits, but ${doubts.join(' and ')}.`);
  return answer('good', FITS[role]);
}

const FITS = {
  dark: 'Camera, ISO, shutter and temperature agree.',
  flat: 'Camera, focal length and aperture agree.',
  bias: 'Camera and ISO agree.',
} as const;

/** The first thing that forbids the match, as a sentence. */
function refusalOf(
  lights: CalibrationSet,
  set: CalibrationSet,
  role: 'dark' | 'flat' | 'bias',
): string | undefined {
  const a = lights.header;
  const b = set.header;
  if (a.camera !== undefined && b.camera !== undefined && a.camera !== b.camera)
    return `It is from another camera: ${b.camera}, the lights are from ${a.camera}.`;
  if (a.serial !== undefined && b.serial !== undefined && a.serial !== b.serial)
    return 'It is from another body of the same model.';
  if (!sameSize(a, b))
    return `Its pictures are ${b.width} x ${b.height} px, the lights ${a.width} x ${a.height} px.`;
  if (lights.decoder !== undefined && set.decoder !== undefined && lights.decoder !== set.decoder)
    return `It was decoded by ${set.decoder}, the lights by ${lights.decoder}.`;
  if (role === 'flat') return flatRefusal(a, b);
  if (!agrees(a.iso, b.iso, 0.03)) return `Its ISO is ${b.iso}, that of the lights ${a.iso}.`;
  if (role === 'bias') return undefined;
  if (!agrees(a.exposureTime, b.exposureTime, SHUTTER_SHARE))
    return `Its shutter is ${b.exposureTime} s, that of the lights ${a.exposureTime} s.`;
  const [warm, cold] = [temperatureOf(lights), temperatureOf(set)];
  if (warm !== undefined && cold !== undefined && Math.abs(warm - cold) > TEMPERATURE_SPAN)
    return `It was taken at ${Math.round(cold)} °C, the lights at ${Math.round(warm)} °C: more than ${TEMPERATURE_SPAN} degrees apart.`;
  return undefined;
}

function flatRefusal(a: FrameHeader, b: FrameHeader): string | undefined {
  if (!agrees(a.focalLengthMm, b.focalLengthMm, 0.02))
    return `Its focal length is ${b.focalLengthMm} mm, that of the lights ${a.focalLengthMm} mm.`;
  if (!agrees(a.fNumber, b.fNumber, 0.04))
    return `Its aperture is f/${b.fNumber}, that of the lights f/${a.fNumber}.`;
  if (a.lens !== undefined && b.lens !== undefined && a.lens !== b.lens)
    return `Its lens is ${b.lens}, that of the lights ${a.lens}.`;
  return undefined;
}

/** What keeps a match from being good, as clauses. */
function doubtsOf(lights: CalibrationSet, set: CalibrationSet, role: 'dark' | 'flat' | 'bias'): string[] {
  const unknown: string[] = [];
  const missing = (value: (header: FrameHeader) => unknown, name: string) => {
    if (value(lights.header) === undefined || value(set.header) === undefined) unknown.push(name);
  };
  missing((header) => header.camera, 'camera');
  if (role === 'flat') {
    missing((header) => header.focalLengthMm, 'focal length');
    missing((header) => header.fNumber, 'aperture');
  } else missing((header) => header.iso, 'ISO');
  const doubts: string[] = [];
  if (role === 'dark') {
    missing((header) => header.exposureTime, 'shutter');
    const [warm, cold] = [temperatureOf(lights), temperatureOf(set)];
    if (warm === undefined || cold === undefined) unknown.push('temperature');
    else if (Math.abs(warm - cold) > 3)
      doubts.push(`the temperatures are ${Math.abs(warm - cold).toFixed(0)} degrees apart`);
  }
  if (unknown.length > 0)
    doubts.unshift(`the ${unknown.join(', ')} ${unknown.length === 1 ? 'is' : 'are'} not known`);
  if (role !== 'flat' && set.count < 4)
    doubts.push(
      `${set.count} frame${set.count === 1 ? ' adds' : 's add'} noise of ${set.count === 1 ? 'its' : 'their'} own`,
    );
  return doubts;
}
