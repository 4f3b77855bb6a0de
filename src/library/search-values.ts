import { InputError } from '../core/index.js';

/** From `min` to `max`, both included; an absent end is open. */
export interface Range {
  readonly min?: number;
  readonly max?: number;
}

/** First and last night, `YYYY-MM-DD`; an absent end is open. */
export interface DateSpan {
  readonly from?: string;
  readonly to?: string;
}

/** Months of any year, 1 to 12; `from` after `to` runs over new year. */
export interface MonthSpan {
  readonly from: number;
  readonly to: number;
}

/** @throws {InputError} VALUE_NOT_UNDERSTOOD with what was expected */
export const refuse = (name: string, value: string, example: string): never => {
  throw new InputError(
    'VALUE_NOT_UNDERSTOOD',
    `Expected ${example} for --${name} but received ${JSON.stringify(value)}.`,
    { details: { option: name, value } },
  );
};

const NUMBER = /^[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?$/i;

/** A decimal number without unit; undefined when it is none. */
export function plainNumber(text: string): number | undefined {
  const value = NUMBER.test(text) ? Number(text) : Number.NaN;
  return Number.isFinite(value) ? value : undefined;
}

/** A shutter in s: `10`, `10s`, `1/250`, `2m`, `1.5h`. */
export function seconds(text: string): number | undefined {
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

/** Reads a year, month, night or range of them. @throws {InputError} */
export function parseDate(given: string): DateSpan {
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

/** Reads a month or a range of months, which may run over new year. @throws {InputError} */
export function parseMonth(given: string): MonthSpan {
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
