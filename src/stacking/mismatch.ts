import type { CfaPattern } from '../core/index.js';
import { type CalibrationHeader, geometryDifference, type Master } from './master.js';

/** One thing in which a master does not suit a light. */
export interface Mismatch {
  readonly what: 'geometry' | 'camera' | 'exposure' | 'iso' | 'temperature';
  /** `never`: cannot be used at all; `refuse`: only when the photographer insists; `warn`: used, and said. */
  readonly effect: 'never' | 'refuse' | 'warn';
  /** One plain sentence. */
  readonly text: string;
}

/** A light as far as masters go. */
export interface LightDescription {
  readonly width: number;
  readonly height: number;
  readonly decoder: string;
  readonly cfa?: CfaPattern;
  readonly header: CalibrationHeader;
}

/** Sensor readings lag and wander by this much, deg C. @source DESIGN: darks further off are refused. */
const TEMPERATURE_LIMIT = 5;
/** Recorded times are rounded; a real 16 s shutter is a recorded 15 s (7 %). */
const EXPOSURE_SHARE = 0.1;

/**
 * Compares a master with a light. A dark must share camera, size, pattern, decoder, ISO, exposure and
 * temperature; a bias all but exposure; a flat the geometry only. Unknown values warn and never refuse.
 */
export function compareMaster(master: Master, light: LightDescription): Mismatch[] {
  const found: Mismatch[] = [];
  const name = `master ${master.kind}`;
  const difference = geometryDifference(master, light);
  if (difference) {
    found.push({
      what: 'geometry',
      effect: 'never',
      text: `The ${name} does not fit the light: ${difference}.`,
    });
  }
  const { header } = light;
  if (master.camera && header.camera && master.camera !== header.camera) {
    found.push({
      what: 'camera',
      effect: 'refuse',
      text: `The ${name} is from ${master.camera}, the light from ${header.camera}.`,
    });
  }
  if (master.kind === 'flat') return found;
  found.push(...compareIso(master, header, name));
  if (master.kind === 'dark') found.push(...compareExposure(master, header, name));
  found.push(...compareTemperature(master, header, name));
  return found;
}

function compareIso(master: Master, header: CalibrationHeader, name: string): Mismatch[] {
  if (master.iso === undefined || header.iso === undefined) {
    return [{ what: 'iso', effect: 'warn', text: `The ISO of the ${name} or of the light is unknown.` }];
  }
  if (master.iso === header.iso) return [];
  const text = `The ${name} is ISO ${master.iso}, the light ISO ${header.iso}.`;
  return [{ what: 'iso', effect: 'refuse', text }];
}

function compareExposure(master: Master, header: CalibrationHeader, name: string): Mismatch[] {
  const [a, b] = [master.exposureTime, header.exposureTime];
  if (a === undefined || b === undefined) {
    const text = `The exposure time of the ${name} or of the light is unknown.`;
    return [{ what: 'exposure', effect: 'warn', text }];
  }
  if (Math.abs(a - b) <= EXPOSURE_SHARE * Math.max(a, b)) return [];
  const text = `The ${name} was exposed ${round(a)} s, the light ${round(b)} s.`;
  return [{ what: 'exposure', effect: 'refuse', text }];
}

function compareTemperature(master: Master, header: CalibrationHeader, name: string): Mismatch[] {
  const [a, b] = [master.temperature, header.temperature];
  if (a === undefined || b === undefined) {
    const text = `The sensor temperature of the ${name} or of the light is unknown.`;
    return [{ what: 'temperature', effect: 'warn', text }];
  }
  if (Math.abs(a - b) <= TEMPERATURE_LIMIT) return [];
  const text = `The ${name} was shot at ${round(a)} deg C, the light at ${round(b)} deg C, more than ${TEMPERATURE_LIMIT} apart.`;
  return [{ what: 'temperature', effect: 'refuse', text }];
}

const round = (value: number): string => String(Math.round(value * 10) / 10);

/** True when nothing forbids the master; with `force` only what can never work does. */
export function isUsable(mismatches: readonly Mismatch[], force = false): boolean {
  return mismatches.every(({ effect }) => effect === 'warn' || (force && effect === 'refuse'));
}

/**
 * Whether the camera took a dark off by itself: certain by the maker's note, likely when frames come every
 * two exposures or more evenly than pauses would (P17). Then no dark is subtracted again.
 *
 * @param cadence median time from start to start, s
 */
export function inCameraDark(options: {
  readonly noted?: boolean;
  readonly exposureTime?: number;
  readonly cadence?: number;
}): 'certain' | 'likely' | 'no' | 'unknown' {
  if (options.noted !== undefined) return options.noted ? 'certain' : 'no';
  const { exposureTime, cadence } = options;
  if (exposureTime === undefined || cadence === undefined) return 'unknown';
  const ratio = cadence / exposureTime;
  // A 15 s setting may really run 16 s: two of them are 2.13 recorded exposures, and writing takes a second.
  return ratio >= 1.95 && cadence <= 2.15 * exposureTime + 2.5 && exposureTime >= 2 ? 'likely' : 'no';
}
