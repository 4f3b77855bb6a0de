import { InputError, ROLES, type Role } from '../core/index.js';
import { type Equatorial, parseTarget } from '../sky/index.js';
import { nameKey } from './paths.js';
import {
  type DateSpan,
  type MonthSpan,
  parseDate,
  parseMonth,
  parsePosition,
  parseRange,
  plainNumber,
  type Range,
  refuse,
  seconds,
} from './search-values.js';
import { tagKey } from './words.js';

/** What sessions can be sorted by. */
export const SORTS = ['date', 'kept', 'exposure', 'sharpness', 'moon', 'darkness'] as const;
export type Sort = (typeof SORTS)[number];

/** A search, understood. Session conditions and sequence conditions must all hold. */
export interface SearchQuery {
  /** Part of a site's name. */
  readonly site?: string;
  readonly near?: { readonly latitude: number; readonly longitude: number };
  /** km around `near`; default 25. */
  readonly radius?: number;
  /** First and last night, `YYYY-MM-DD`. */
  readonly date?: DateSpan;
  /** Months of any year, 1 to 12; `from` after `to` runs over new year. */
  readonly month?: MonthSpan;
  readonly camera?: string;
  readonly lens?: string;
  readonly focal?: Range;
  readonly aperture?: Range;
  readonly iso?: Range;
  /** s */
  readonly shutter?: Range;
  readonly role?: Role;
  /** Lights kept. */
  readonly kept?: Range;
  /** Share of judged lights that was kept, percent. */
  readonly keepRate?: Range;
  /** Total exposure, s. */
  readonly exposure?: Range;
  /** Moonlight, percent lit; 0 = moon down. */
  readonly moon?: Range;
  /** Median star size of the kept frames, px. */
  readonly fwhm?: Range;
  /** Darkness of the site's sky, mag/arcsec2, as typed or read off a map; larger is darker. */
  readonly sky?: Range;
  readonly target?: string;
  /** Part of the sky that the picture's middle, or else the plan's target, is near; J2000, degrees. */
  readonly toward?: Equatorial;
  /** Degrees around `toward`; default 20. */
  readonly within?: number;
  readonly text?: string;
  readonly tags?: readonly string[];
  readonly hasPlan?: boolean;
  readonly hasStack?: boolean;
  readonly sort?: Sort;
  readonly limit?: number;
}

/** A search as it comes from a command line or a form: text. */
export type SearchInput = {
  readonly [K in Exclude<keyof SearchQuery, 'tags' | 'hasPlan' | 'hasStack'>]?: string | undefined;
} & {
  readonly tags?: readonly string[] | undefined;
  readonly hasPlan?: boolean | undefined;
  readonly hasStack?: boolean | undefined;
};

const aperture = (text: string) => plainNumber(text.replace(/^f\//i, ''));
const millimetres = (text: string) => plainNumber(text.replace(/\s*mm$/i, ''));
const iso = (text: string) => plainNumber(text.replace(/^iso\s*/i, ''));
const percent = (text: string) => plainNumber(text.replace(/\s*%$/, ''));

/** A place on the sky by name or position. @throws {InputError} */
function skyPlace(given: string): Equatorial {
  const example = 'a place on the sky such as core, Antares or 266.4,-29';
  try {
    const target = parseTarget(given);
    if (target.kind !== 'arch')
      return { rightAscension: target.rightAscension, declination: target.declination };
  } catch (error) {
    if (!(error instanceof InputError)) throw error;
  }
  return refuse('toward', given, example);
}

/**
 * Understands a search. Empty values are refused, not ignored.
 *
 * @throws {InputError} one sentence with an example
 */
export function parseSearch(input: SearchInput): SearchQuery {
  const query: { -readonly [K in keyof SearchQuery]: SearchQuery[K] } = {};
  const words = (name: 'site' | 'camera' | 'lens' | 'target' | 'text', example: string) => {
    const given = input[name];
    if (given === undefined) return;
    query[name] = given.trim() === '' ? refuse(name, given, example) : given.trim();
  };
  words('site', "part of a site's name such as flat");
  words('camera', "part of a camera's name");
  words('lens', "part of a lens's name");
  words('target', "part of a target's name such as core");
  words('text', 'words to look for in notes');
  if (input.near !== undefined) query.near = parsePosition('near', input.near);
  if (input.radius !== undefined) {
    query.radius =
      parseRange('radius', input.radius, { example: 'kilometres such as 25', exact: true }).max ?? 25;
    if (query.near === undefined) {
      throw new InputError(
        'USAGE',
        'Expected --near LAT,LON together with --radius but received --radius alone.',
      );
    }
  }
  if (input.toward !== undefined) query.toward = skyPlace(input.toward);
  if (input.within !== undefined) {
    query.within =
      parseRange('within', input.within, { example: 'degrees such as 20', exact: true }).max ?? 20;
    if (query.toward === undefined) {
      throw new InputError(
        'USAGE',
        'Expected --toward RA,DEC together with --within but received --within alone.',
      );
    }
  }
  if (input.date !== undefined) query.date = parseDate(input.date);
  if (input.month !== undefined) query.month = parseMonth(input.month);
  const range = (
    name:
      | 'focal'
      | 'aperture'
      | 'iso'
      | 'shutter'
      | 'kept'
      | 'keepRate'
      | 'exposure'
      | 'moon'
      | 'fwhm'
      | 'sky',
    option: string,
    how: Parameters<typeof parseRange>[2],
  ) => {
    const given = input[name];
    if (given !== undefined) query[name] = parseRange(option, given, how);
  };
  range('focal', 'focal', { read: millimetres, example: 'mm or a range such as 24 or 14..35' });
  range('aperture', 'aperture', {
    read: aperture,
    example: 'an f-number or a range such as 2.8 or 1.4..2.8',
  });
  range('iso', 'iso', { read: iso, example: 'an ISO or a range such as 3200 or 800..3200' });
  range('shutter', 'shutter', { read: seconds, example: 'seconds or a range such as 10, 1/250 or 8..15' });
  range('kept', 'kept', { example: 'a number of frames or a range such as 20..', exact: true });
  range('keepRate', 'keep-rate', { read: percent, example: 'percent or a range such as 80..', exact: true });
  range('exposure', 'exposure', {
    read: seconds,
    example: 'a total time or a range such as 10m.. or 600..3600',
    exact: true,
  });
  range('sky', 'sky', {
    example: 'mag/arcsec2 or a range such as 21.. for skies darker than 21',
    exact: true,
  });
  range('fwhm', 'fwhm', { example: 'px or a range such as ..2.5' });
  if (input.moon !== undefined) {
    // A single value means "no more moon than this": `--moon 10` is what one says.
    const moon = parseRange('moon', input.moon, {
      read: percent,
      example: 'percent of moonlight at most, or a range, such as 10 or 50..100',
      exact: true,
    });
    query.moon = input.moon.includes('..') ? moon : { max: moon.max! };
  }
  if (input.role !== undefined) {
    const role = input.role.trim().toLowerCase() as Role;
    query.role = ROLES.includes(role) ? role : refuse('role', input.role, `one of ${ROLES.join(', ')}`);
  }
  if (input.sort !== undefined) {
    const sort = input.sort.trim().toLowerCase() as Sort;
    query.sort = SORTS.includes(sort) ? sort : refuse('sort', input.sort, `one of ${SORTS.join(', ')}`);
  }
  if (input.limit !== undefined) {
    const limit = plainNumber(input.limit.trim());
    query.limit =
      limit !== undefined && Number.isInteger(limit) && limit >= 1
        ? limit
        : refuse('limit', input.limit, 'a whole number from 1 up');
  }
  if (input.tags !== undefined && input.tags.length > 0) {
    query.tags = input.tags.map((tag) => tagKey(tag) || refuse('tag', tag, 'a tag such as galaxy-season'));
  }
  if (input.hasPlan !== undefined) query.hasPlan = input.hasPlan;
  if (input.hasStack !== undefined) query.hasStack = input.hasStack;
  return query;
}

/** True when `part` is in `whole`, case and the encoding of accents aside. */
export const includesName = (whole: string, part: string): boolean => nameKey(whole).includes(nameKey(part));
