import { InputError } from '../core/index.js';
import { BRIGHT_OBJECTS } from './bright-objects.js';
import type { Equatorial } from './coordinates.js';

/**
 * What to photograph. `core`: the galactic center (the radio source Sgr A*); `arch`: the whole band of the
 * Milky Way, which has no single position; `point`: anything with a J2000 position, deg.
 */
export type Target =
  | ({ readonly kind: 'core' | 'point'; readonly name: string } & Equatorial)
  | { readonly kind: 'arch'; readonly name: string };

/** The galactic center, J2000, deg. @source Reid & Brunthaler, ApJ 616 (2004) 872: Sgr A* 17h45m40.0409s -29d00m28.118s. */
export const GALACTIC_CENTER: Equatorial = { rightAscension: 266.416_837_1, declination: -29.007_810_6 };

const CORE: Target = { kind: 'core', name: 'galactic center', ...GALACTIC_CENTER };
const ARCH: Target = { kind: 'arch', name: 'galactic arch' };

const plain = (text: string): string => text.toLowerCase().replace(/[^a-z0-9]/g, '');

/** Hours, minutes, seconds or plain degrees to deg; undefined when it is neither. */
function parseAngle(text: string, sexagesimal: RegExp, perUnit: number): number | undefined {
  const trimmed = text.trim();
  if (/^[+-]?\d+(\.\d+)?$/.test(trimmed)) return Number(trimmed);
  const match = sexagesimal.exec(trimmed);
  if (match === null) return undefined;
  const [, sign = '', whole = '0', minutes = '0', seconds = '0'] = match;
  if (Number(minutes) >= 60 || Number(seconds) >= 60) return undefined;
  const value = Number(whole) + Number(minutes) / 60 + Number(seconds) / 3600;
  return (sign === '-' ? -value : value) * perUnit;
}

const HOURS = /^(\+?)(\d{1,2})(?:h|:)(?:(\d{1,2})(?:m|:)?)?(?:(\d{1,2}(?:\.\d+)?)s?)?$/;
const DEGREES = /^([+-]?)(\d{1,2})(?:d|:)(?:(\d{1,2})(?:m|:)?)?(?:(\d{1,2}(?:\.\d+)?)s?)?$/;

/** Reads `RA,DEC` in deg, or hours and degrees as `17h45m40s,-29d00m28s` or `17:45:40,-29:00:28`. */
function parsePoint(text: string): Target | undefined {
  const parts = text.split(',');
  if (parts.length !== 2) return undefined;
  const rightAscension = parseAngle(parts[0]!, HOURS, 15);
  const declination = parseAngle(parts[1]!, DEGREES, 1);
  if (rightAscension === undefined || declination === undefined) return undefined;
  if (!(rightAscension >= 0 && rightAscension < 360 && Math.abs(declination) <= 90)) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a target with right ascension 0 to 360 deg and declination -90 to 90 deg but received "${text}".`,
    );
  }
  return { kind: 'point', name: text.trim(), rightAscension, declination };
}

/**
 * Reads a target: `core`, `arch`, the name of a bright object (upper or lower case, blanks optional) or
 * `RA,DEC` J2000 in deg.
 * @throws {InputError} VALUE_NOT_UNDERSTOOD for anything else, VALUE_OUT_OF_RANGE for an impossible position
 */
export function parseTarget(text: string): Target {
  const wanted = plain(text);
  if (wanted === 'core' || wanted === 'galacticcenter' || wanted === 'galacticcentre') return CORE;
  if (wanted === 'arch' || wanted === 'galacticarch') return ARCH;
  const object = BRIGHT_OBJECTS.find(
    ({ name, aliases }) => plain(name) === wanted || aliases.some((alias) => plain(alias) === wanted),
  );
  if (object !== undefined && wanted !== '') {
    const { name, rightAscension, declination } = object;
    return { kind: 'point', name, rightAscension, declination };
  }
  const point = parsePoint(text);
  if (point !== undefined) return point;
  throw new InputError(
    'VALUE_NOT_UNDERSTOOD',
    `Expected a target as core, arch, the name of a bright object, or RA,DEC in degrees but received "${text}".`,
  );
}
