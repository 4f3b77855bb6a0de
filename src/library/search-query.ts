import { InputError, ROLES, type Role } from '../core/index.js';
import { nameKey } from './paths.js';
import { tagKey } from './words.js';

/** From `min` to `max`, both included; an absent end is open. */
export interface Range {
  readonly min?: number;
  readonly max?: number;
}

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
  readonly date?: { readonly from?: string; readonly to?: string };
  /** Months of any year, 1 to 12; `from` after `to` runs over new year. */
  readonly month?: { readonly from: number; readonly to: number };
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

const refuse = (name: string, value: string, example: string): never => {
  throw new InputError(
    'VALUE_NOT_UNDERSTOOD',
    `Expected ${example} for --${name} but received ${JSON.stringify(value)}.`,
    { details: { option: name, value } },
  );
};

const NUMBER = /^[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?$/i;

function plainNumber(text: string): number | undefined {
  const value = NUMBER.test(text) ? Number(text) : Number.NaN;
  return Number.isFinite(value) ? value : undefined;
}

/** A shutter in s: `10`, `10s`, `1/250`, `2m`, `1.5h`. */
function seconds(text: string): number | undefined {
  const fraction = /^(\d+(?:\.\d+)?)\/(\d+(?:\.\d+)?)s?$/i.exec(text);
  if (fraction) return Number(fraction[2]) === 0 ? undefined : Number(fraction[1]) / Number(fraction[2]);
  const unit = /^(.*?)\s*(s|sec|m|min|h)$/i.exec(text);
  const value = plainNumber(unit ? unit[1]! : text);
  if (value === undefined) return undefined;
  const first = unit?.[2]?.[0]?.toLowerCase();
  return value * (first === 'h' ? 3600 : first === 'm' ? 60 : 1);
}

/** Width of what counts as the same single value: `--aperture 2.8` also finds 2.8 stored as 14/5. */
const SAME = 1e-3;

/**
 * Reads `value`, `a..b`, `a..` or `..b`.
 *
 * @param name the option, for the sentence
 * @param example what is expected, with an example
 * @throws {InputError} VALUE_NOT_UNDERSTOOD; VALUE_OUT_OF_RANGE for reversed ends or negative values
 */
export function parseRange(
  name: string,
  given: string,
  how: {
    readonly read?: (text: string) => number | undefined;
    readonly example: string;
    readonly exact?: boolean;
  },
): Range {
  const read = how.read ?? plainNumber;
  const parts = given.trim().split('..');
  if (parts.length > 2 || parts.every((part) => part.trim() === '')) return refuse(name, given, how.example);
  const ends = parts.map((part) => {
    const text = part.trim();
    if (text === '') return undefined;
    return read(text) ?? refuse(name, given, how.example);
  });
  for (const end of ends) {
    if (end !== undefined && end < 0) {
      throw new InputError(
        'VALUE_OUT_OF_RANGE',
        `Expected 0 or more for --${name} but received ${given}; as in ${how.example}.`,
      );
    }
  }
  if (parts.length === 1) {
    const value = ends[0]!;
    return how.exact ? { min: value, max: value } : { min: value * (1 - SAME), max: value * (1 + SAME) };
  }
  const [min, max] = ends;
  if (min !== undefined && max !== undefined && min > max) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected the smaller value first for --${name} but received ${given}; write ${parts[1]!.trim()}..${parts[0]!.trim()}.`,
    );
  }
  return { ...(min === undefined ? {} : { min }), ...(max === undefined ? {} : { max }) };
}

const DATE_EXAMPLE =
  'a year, month, night or range of them such as 2026, 2026-08, 2026-08-13 or 2026-06..2026-09';

/** First and last day of `2026`, `2026-08` or `2026-08-13`. */
function dateSpan(text: string, given: string): { from: string; to: string } {
  const match = /^(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?$/.exec(text);
  if (!match) return refuse('date', given, DATE_EXAMPLE);
  const [, year, month, day] = match;
  const from = `${year}-${month ?? '01'}-${day ?? '01'}`;
  const to = `${year}-${month ?? '12'}-${day ?? '31'}`;
  const instant = new Date(`${from}T00:00:00Z`);
  if (Number.isNaN(instant.getTime()) || instant.toISOString().slice(0, 10) !== from) {
    return refuse('date', given, DATE_EXAMPLE);
  }
  return { from, to };
}

function parseDate(given: string): NonNullable<SearchQuery['date']> {
  const parts = given
    .trim()
    .split('..')
    .map((part) => part.trim());
  if (parts.length > 2 || parts.every((part) => part === '')) return refuse('date', given, DATE_EXAMPLE);
  if (parts.length === 1) return dateSpan(parts[0]!, given);
  const from = parts[0] === '' ? undefined : dateSpan(parts[0]!, given).from;
  const to = parts[1] === '' ? undefined : dateSpan(parts[1]!, given).to;
  if (from !== undefined && to !== undefined && from > to) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected the earlier date first for --date but received ${given}.`,
    );
  }
  return { ...(from === undefined ? {} : { from }), ...(to === undefined ? {} : { to }) };
}

const MONTHS = [
  'january',
  'february',
  'march',
  'april',
  'may',
  'june',
  'july',
  'august',
  'september',
  'october',
  'november',
  'december',
];
const MONTH_EXAMPLE = 'a month or range of months such as 8, august or 11..2';

function month(text: string, given: string): number {
  const key = text.trim().toLowerCase();
  const named = key.length >= 3 ? MONTHS.findIndex((name) => name.startsWith(key)) + 1 : 0;
  const value = named || (/^\d{1,2}$/.test(key) ? Number(key) : 0);
  return value >= 1 && value <= 12 ? value : refuse('month', given, MONTH_EXAMPLE);
}

function parseMonth(given: string): NonNullable<SearchQuery['month']> {
  const parts = given.split('..');
  if (parts.length > 2) return refuse('month', given, MONTH_EXAMPLE);
  const from = month(parts[0]!, given);
  return { from, to: parts.length === 2 ? month(parts[1]!, given) : from };
}

/** Reads `LAT,LON` in signed decimals. @throws {InputError} */
export function parsePosition(name: string, given: string): { latitude: number; longitude: number } {
  const example = 'latitude and longitude in degrees such as -31.25,20.5';
  const parts = given.split(',').map((part) => plainNumber(part.trim()));
  const [latitude, longitude] = parts;
  if (parts.length !== 2 || latitude === undefined || longitude === undefined)
    return refuse(name, given, example);
  if (Math.abs(latitude) > 90 || Math.abs(longitude) > 180) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a latitude within 90 and a longitude within 180 degrees for --${name} but received ${given}.`,
    );
  }
  return { latitude, longitude };
}

const aperture = (text: string) => plainNumber(text.replace(/^f\//i, ''));
const millimetres = (text: string) => plainNumber(text.replace(/\s*mm$/i, ''));
const iso = (text: string) => plainNumber(text.replace(/^iso\s*/i, ''));
const percent = (text: string) => plainNumber(text.replace(/\s*%$/, ''));

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
