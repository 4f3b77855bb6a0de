import { InputError } from '../core/index.js';
import { checkInstant } from './_check.js';

const MS_PER_DAY = 86_400_000;
const HOUR = 3_600_000;

const formats = new Map<string, Intl.DateTimeFormat>();

/** One formatter a zone: making one costs a thousand times more than using it. */
function formatOf(zone: string): Intl.DateTimeFormat {
  let format = formats.get(zone);
  if (format !== undefined) return format;
  try {
    format = new Intl.DateTimeFormat('en-US', {
      timeZone: zone,
      calendar: 'gregory',
      numberingSystem: 'latn',
      hourCycle: 'h23',
      era: 'short',
      year: 'numeric',
      month: '2-digit',
      day: '2-digit',
      hour: '2-digit',
      minute: '2-digit',
      second: '2-digit',
    });
  } catch (cause) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected an IANA time zone such as Europe/Lisbon but received "${zone}".`,
      { details: { zone }, cause },
    );
  }
  formats.set(zone, format);
  return format;
}

/** Throws `InputError` VALUE_NOT_UNDERSTOOD unless the zone is one that this computer's zone data knows. */
export function checkZone(zone: string): string {
  formatOf(zone);
  return zone;
}

/** The wall clock as if it were UTC, ms since 1970; seconds are whole. */
function wallClockMs(instant: Date, zone: string): number {
  let year = 0;
  let month = 1;
  let day = 1;
  let hour = 0;
  let minute = 0;
  let second = 0;
  let beforeChrist = false;
  for (const { type, value } of formatOf(zone).formatToParts(instant)) {
    if (type === 'year') year = Number(value);
    else if (type === 'month') month = Number(value);
    else if (type === 'day') day = Number(value);
    else if (type === 'hour') hour = Number(value);
    else if (type === 'minute') minute = Number(value);
    else if (type === 'second') second = Number(value);
    else if (type === 'era') beforeChrist = value.startsWith('B');
  }
  const ms = new Date(0);
  ms.setUTCFullYear(beforeChrist ? 1 - year : year, month - 1, day);
  ms.setUTCHours(hour, minute, second);
  return ms.getTime();
}

/** Seconds that the wall clock of a zone is ahead of UTC at an instant (east positive). */
export function utcOffset(instant: Date, zone: string): number {
  checkInstant('the time', instant);
  const whole = Math.floor(instant.getTime() / 1000) * 1000;
  return (wallClockMs(new Date(whole), zone) - whole) / 1000;
}

/** The wall clock of a zone at an instant, `YYYY-MM-DDTHH:MM:SS`, seconds cut. */
export function wallTime(instant: Date, zone: string): string {
  checkInstant('the time', instant);
  return new Date(wallClockMs(instant, zone)).toISOString().slice(0, 19);
}

/** What a wall-clock reading means in a zone. */
export interface WallTimeReading {
  /**
   * The instant. In an overlap (clocks put back) the first pass; in a gap (clocks put forward) the reading
   * with the offset that held before the gap, as a clock nobody has put forward would show it.
   */
  readonly instant: Date;
  readonly kind: 'plain' | 'overlap' | 'gap';
  /** The second pass of an overlap; the reading with the offset after a gap. Absent for a plain reading. */
  readonly alternative?: Date;
}

const WALL = /^(\d{4})-(\d{2})-(\d{2})[T ](\d{2}):(\d{2})(?::(\d{2})(\.\d+)?)?$/;

/** Wall clock text as if UTC, ms; undefined when it is no real date and time. */
function parseWall(text: string): number | undefined {
  const match = WALL.exec(text);
  if (match === null) return undefined;
  const [, year, month, day, hour, minute, second = '00', fraction = ''] = match;
  const iso = `${year}-${month}-${day}T${hour}:${minute}:${second}`;
  const ms = new Date(`${iso}Z`).getTime();
  if (!Number.isFinite(ms) || new Date(ms).toISOString().slice(0, 19) !== iso) return undefined;
  return ms + Math.round(Number(`0${fraction}`) * 1000);
}

/**
 * Reads a wall clock in a zone: clock changes in both directions, half-hour changes and the date line included.
 *
 * @param wall `YYYY-MM-DDTHH:MM[:SS[.fff]]`, a blank instead of the T allowed
 * @throws {InputError} VALUE_NOT_UNDERSTOOD when the text is no date or the zone is unknown
 */
export function readWallTime(wall: string, zone: string): WallTimeReading {
  const asUtc = parseWall(wall);
  if (asUtc === undefined) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected a date and time as YYYY-MM-DDTHH:MM:SS but received "${wall}".`,
    );
  }
  // Offsets lie in [-12 h, +14 h]; the day either side covers a zone that crossed the date line.
  const offsets = new Set<number>();
  for (const hours of [-38, -26, -14, -7, 0, 7, 12, 26]) {
    offsets.add(utcOffset(new Date(asUtc + hours * HOUR), zone));
  }
  const found: number[] = [];
  for (const offset of offsets) {
    const candidate = asUtc - offset * 1000;
    if (utcOffset(new Date(candidate), zone) === offset) found.push(candidate);
  }
  found.sort((a, b) => a - b);
  if (found.length === 1) return { instant: new Date(found[0]!), kind: 'plain' };
  if (found.length > 1) {
    return { instant: new Date(found[0]!), kind: 'overlap', alternative: new Date(found[1]!) };
  }
  const change = changeIn(asUtc, zone);
  return {
    instant: new Date(asUtc - change.before * 1000),
    kind: 'gap',
    alternative: new Date(asUtc - change.after * 1000),
  };
}

/** The offsets before and after the clock change that swallowed a wall-clock reading. */
function changeIn(asUtc: number, zone: string): { before: number; after: number } {
  let low = asUtc - 15 * HOUR;
  let high = asUtc + 13 * HOUR;
  const swallowed = (ms: number): boolean => ms + utcOffset(new Date(ms), zone) * 1000 > asUtc;
  while (high - low > 1000) {
    const middle = Math.floor((low + high) / 2000) * 1000;
    if (swallowed(middle)) high = middle;
    else low = middle;
  }
  return { before: utcOffset(new Date(low), zone), after: utcOffset(new Date(high), zone) };
}

/**
 * The instant of a wall-clock reading; `pass` picks the first or second pass of an hour that clocks repeat.
 * A reading inside a gap uses the offset before it. @throws {InputError} as `readWallTime`.
 */
export function instantOfWallTime(
  wall: string,
  zone: string,
  options: { readonly pass?: 'first' | 'second' } = {},
): Date {
  const reading = readWallTime(wall, zone);
  return options.pass === 'second' && reading.kind === 'overlap' ? reading.alternative! : reading.instant;
}

/** The night an instant belongs to, local noon to local noon: the evening's local date, `YYYY-MM-DD`. */
export function nightOf(instant: Date, zone: string): string {
  checkInstant('the time', instant);
  return new Date(wallClockMs(instant, zone) - 12 * HOUR).toISOString().slice(0, 10);
}

/** The date `days` later, `YYYY-MM-DD`. @throws {InputError} VALUE_NOT_UNDERSTOOD when it is no date */
export function addDays(date: string, days: number): string {
  const ms = parseWall(`${date}T12:00`);
  if (ms === undefined) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected a night as a real date YYYY-MM-DD but received "${date}".`,
    );
  }
  return new Date(ms + days * MS_PER_DAY).toISOString().slice(0, 10);
}

/** A stretch of time. */
export interface Interval {
  readonly start: Date;
  readonly end: Date;
}

/**
 * The stretch from local noon of a night's evening to local noon of the next day: 24 h, 23 or 25 on a
 * clock-change night.
 * @throws {InputError} VALUE_NOT_UNDERSTOOD for no date, or one that a zone left out at the date line
 */
export function nightWindow(night: string, zone: string): Interval {
  const next = addDays(night, 1);
  const start = instantOfWallTime(`${night}T12:00`, zone);
  const end = instantOfWallTime(`${next}T12:00`, zone);
  if (end.getTime() - start.getTime() < HOUR) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected a night that exists but ${night} was left out of the calendar in ${zone}.`,
    );
  }
  return { start, end };
}
