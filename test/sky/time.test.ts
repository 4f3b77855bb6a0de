import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  addDays,
  checkZone,
  instantOfWallTime,
  nightOf,
  nightWindow,
  readWallTime,
  utcOffset,
  wallTime,
  zoneAt,
} from '../../src/sky/index.js';
import { golden } from './_golden.js';

const ZONES = [
  'UTC',
  'Europe/Lisbon',
  'America/Los_Angeles',
  'America/St_Johns',
  'Asia/Kathmandu',
  'Australia/Lord_Howe',
  'Pacific/Auckland',
  'Pacific/Chatham',
  'Pacific/Apia',
  'Pacific/Kiritimati',
  'Antarctica/Troll',
  'Africa/Casablanca',
];

const refusal = expect.objectContaining({ name: 'InputError', code: 'VALUE_NOT_UNDERSTOOD' });

describe('readWallTime (P53, L18)', () => {
  it('finds the instant of every wall clock again, whatever the zone', () => {
    fc.assert(
      fc.property(
        fc.constantFrom(...ZONES),
        fc.integer({ min: Date.UTC(2005, 0, 1) / 1000, max: Date.UTC(2035, 0, 1) / 1000 }),
        (zone, seconds) => {
          const instant = new Date(seconds * 1000);
          const reading = readWallTime(wallTime(instant, zone), zone);
          const found = [reading.instant.getTime(), reading.alternative?.getTime()];
          expect(reading.kind).not.toBe('gap');
          expect(found).toContain(instant.getTime()); // exact
        },
      ),
      { numRuns: 300 },
    );
  });
  it('reads the day that Samoa skipped as a gap and the days around it plainly', () => {
    const skipped = readWallTime('2011-12-30T12:00', 'Pacific/Apia');
    expect(skipped.kind).toBe('gap');
    expect(skipped.instant.toISOString()).toBe('2011-12-30T22:00:00.000Z'); // UTC-10 before
    expect(skipped.alternative!.toISOString()).toBe('2011-12-29T22:00:00.000Z'); // UTC+14 after
    expect(instantOfWallTime('2011-12-29T12:00', 'Pacific/Apia').toISOString()).toBe(
      '2011-12-29T22:00:00.000Z',
    );
    expect(instantOfWallTime('2011-12-31T12:00', 'Pacific/Apia').toISOString()).toBe(
      '2011-12-30T22:00:00.000Z',
    );
  });
  it('picks the second pass of a repeated hour when asked, and only there', () => {
    const zone = 'Europe/London';
    const second = { pass: 'second' } as const;
    expect(instantOfWallTime('2026-10-25T01:30', zone, second).toISOString()).toBe(
      '2026-10-25T01:30:00.000Z',
    );
    expect(instantOfWallTime('2026-10-25T03:30', zone, second).toISOString()).toBe(
      '2026-10-25T03:30:00.000Z',
    );
    expect(instantOfWallTime('2026-03-29T01:30', zone, second).toISOString()).toBe(
      '2026-03-29T01:30:00.000Z',
    ); // gap: offset before it
  });
  it('keeps fractions of a second and takes a blank for the T', () => {
    expect(readWallTime('2026-06-01 23:10:05.25', 'UTC').instant.toISOString()).toBe(
      '2026-06-01T23:10:05.250Z',
    );
  });
  it.each([
    '',
    '2026-02-30T10:00',
    '2026-13-01T10:00',
    '2026-06-01',
    '0000:00:00 00:00:00',
    '2026-06-01T24:61',
    'now',
  ])('refuses "%s"', (text) => expect(() => readWallTime(text, 'UTC')).toThrow(refusal));
});

describe('zones', () => {
  it('refuses a zone that does not exist, in one sentence', () => {
    expect(() => checkZone('Europe/Nowhere')).toThrow(
      'Expected an IANA time zone such as Europe/Lisbon but received "Europe/Nowhere".',
    );
    expect(() => wallTime(new Date(0), '')).toThrow(refusal);
  });
  it('refuses an invalid instant', () => {
    expect(() => wallTime(new Date(Number.NaN), 'UTC')).toThrow(refusal);
    expect(() => nightOf(new Date(Number.NaN), 'UTC')).toThrow(refusal);
  });
  it('knows offsets of half and quarter hours, and of before 1900', () => {
    expect(utcOffset(new Date('2026-07-01T00:00:00Z'), 'Asia/Kathmandu')).toBe(20_700); // +5:45
    expect(utcOffset(new Date('2026-07-01T00:00:00Z'), 'Australia/Lord_Howe')).toBe(37_800); // +10:30
    expect(utcOffset(new Date('1890-01-01T00:00:00Z'), 'UTC')).toBe(0);
  });
  it('finds the zone of a position, ashore and at sea', () => {
    expect(zoneAt(28.76, -17.88)).toBe('Atlantic/Canary');
    expect(zoneAt(-31.55, 159.08)).toBe('Australia/Lord_Howe');
    expect(zoneAt(27.7172, 85.324)).toBe('Asia/Kathmandu');
    expect(checkZone(zoneAt(0, -140))).toMatch(/^Etc\/GMT|^Pacific/);
    expect(checkZone(zoneAt(90, 0))).toBeTruthy();
    expect(checkZone(zoneAt(-90, 180))).toBeTruthy();
  });
  it('refuses a position off the Earth', () => {
    expect(() => zoneAt(91, 0)).toThrow(/a latitude from -90 to 90 deg but received 91/);
    expect(() => zoneAt(0, 181)).toThrow(/a longitude from -180 to 180 deg/);
    expect(() => zoneAt(Number.NaN, 0)).toThrow(expect.objectContaining({ code: 'VALUE_OUT_OF_RANGE' }));
  });
});

describe('nightOf and nightWindow', () => {
  it('puts every golden window into its own night, noon to noon', () => {
    const { nights } = golden<{
      nights: { tz: string; evening_date: string; window_utc: [string, string]; window_hours: number }[];
    }>('sky-nights.json');
    for (const { tz, evening_date, window_utc, window_hours } of nights) {
      const [start, end] = window_utc.map((text) => new Date(text)) as [Date, Date];
      expect(nightOf(start, tz)).toBe(evening_date);
      expect(nightOf(new Date(end.getTime() - 1000), tz)).toBe(evening_date);
      expect(nightOf(end, tz)).toBe(addDays(evening_date, 1));
      const window = nightWindow(evening_date, tz);
      expect((window.end.getTime() - window.start.getTime()) / 3_600_000).toBe(window_hours); // exact
    }
  });
  it('holds every instant in exactly the night it names', () => {
    fc.assert(
      fc.property(
        fc.constantFrom(...ZONES),
        fc.integer({ min: Date.UTC(2012, 1, 1) / 1000, max: Date.UTC(2035, 0, 1) / 1000 }),
        (zone, seconds) => {
          const instant = new Date(seconds * 1000);
          const { start, end } = nightWindow(nightOf(instant, zone), zone);
          expect(start.getTime()).toBeLessThanOrEqual(instant.getTime());
          expect(end.getTime()).toBeGreaterThan(instant.getTime());
        },
      ),
      { numRuns: 200 },
    );
  });
  it('refuses dates that are none, and the one that Samoa left out', () => {
    for (const bad of ['2026-02-29', '2026-6-1', 'tonight', '', '2026-00-10']) {
      expect(() => nightWindow(bad, 'UTC')).toThrow(refusal);
    }
    expect(() => nightWindow('2011-12-30', 'Pacific/Apia')).toThrow(
      /2011-12-30 was left out of the calendar/,
    );
  });
  it('adds days over months and leap days', () => {
    expect(addDays('2028-02-28', 1)).toBe('2028-02-29');
    expect(addDays('2026-12-31', 1)).toBe('2027-01-01');
    expect(addDays('2026-03-01', -1)).toBe('2026-02-28');
  });
});
