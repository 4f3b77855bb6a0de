import { statSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { distanceKm, NightcairnError, ROLES } from '../../src/core/index.js';
import {
  type Library,
  openLibrary,
  parseRange,
  parseSearch,
  type Range,
  type SearchInput,
  type SearchQuery,
  saveStack,
  searchLibrary,
  searchStatement,
  setNotes,
  setTags,
  statsBy,
} from '../../src/library/index.js';
import { scratch } from './_card.js';
import { manyNights, type PlainSequence, type PlainSession } from './_many-nights.js';
import { SINGLE_CONDITIONS, TYPICAL_SEARCHES } from './_typical-searches.js';

const FULL = process.env.NIGHTCAIRN_FULL === '1';

/** Lower case in one encoding of accents, as names are compared. */
const key = (text: string) => text.normalize('NFC').toLowerCase();
const inside = (range: Range | undefined, value: number | undefined): boolean =>
  range === undefined ||
  (value !== undefined &&
    (range.min === undefined || value >= range.min) &&
    (range.max === undefined || value <= range.max));
const words = (text: string) =>
  key(text.normalize('NFD').replace(/\p{M}/gu, ''))
    .split(/[^\p{L}\p{N}]+/u)
    .filter((word) => word !== '');

/** J2000 places of the targets that the invented plans name; an arch and a constellation are no place. */
const PLACES: Record<string, readonly [number, number]> = {
  core: [266.4168, -29.0078],
  'Rho Ophiuchi': [246.396, -23.447],
};

/** Angle between two places on the sky by the cosine rule, deg. */
const skyAngle = (a: readonly [number, number], b: readonly [number, number]): number => {
  const [ra, da, rb, db] = [...a, ...b].map((deg) => (deg * Math.PI) / 180) as [
    number,
    number,
    number,
    number,
  ];
  const cosine = Math.sin(da) * Math.sin(db) + Math.cos(da) * Math.cos(db) * Math.cos(ra - rb);
  return (Math.acos(Math.max(-1, Math.min(1, cosine))) * 180) / Math.PI;
};

/** The slow obvious filter. */
function fits(session: PlainSession, sequence: PlainSequence, query: SearchQuery): boolean {
  const part = (whole: string | undefined, wanted: string | undefined) =>
    wanted === undefined || (whole !== undefined && key(whole).includes(key(wanted)));
  const { site } = session;
  const month = Number(session.night.slice(5, 7));
  const inMonth =
    query.month === undefined ||
    (query.month.from <= query.month.to
      ? month >= query.month.from && month <= query.month.to
      : month >= query.month.from || month <= query.month.to);
  const near =
    query.near === undefined ||
    (site?.latitude !== undefined &&
      distanceKm({ latitude: site.latitude, longitude: site.longitude! }, query.near) <=
        (query.radius ?? 25));
  const there = words(
    [session.id, session.notes, ...session.tags, site?.name ?? '', session.target ?? ''].join(' '),
  );
  const text =
    query.text === undefined ||
    (words(query.text).length > 0 &&
      words(query.text).every((word) => there.some((each) => each.startsWith(word))));
  const { center } = sequence;
  const looks = center
    ? ([center.rightAscension, center.declination] as const)
    : sequence.role === 'light' && session.target !== undefined
      ? PLACES[session.target]
      : undefined;
  const toward =
    query.toward === undefined ||
    (looks !== undefined &&
      skyAngle(looks, [query.toward.rightAscension, query.toward.declination]) <= (query.within ?? 20));
  return (
    toward &&
    part(site?.name, query.site) &&
    near &&
    inMonth &&
    text &&
    (query.date?.from === undefined || session.night >= query.date.from) &&
    (query.date?.to === undefined || session.night <= query.date.to) &&
    part(sequence.camera, query.camera) &&
    part(sequence.lens, query.lens) &&
    part(session.target, query.target) &&
    inside(query.focal, sequence.focal) &&
    inside(query.aperture, sequence.aperture) &&
    inside(query.iso, sequence.iso) &&
    inside(query.shutter, sequence.shutter) &&
    inside(query.kept, sequence.kept) &&
    inside(query.exposure, sequence.exposure) &&
    inside(query.moon, sequence.moon) &&
    inside(query.fwhm, sequence.fwhm) &&
    inside(query.sky, site?.skyBrightness) &&
    inside(query.keepRate, sequence.judged === 0 ? undefined : (100 * sequence.kept) / sequence.judged) &&
    (query.role === undefined || sequence.role === query.role) &&
    (query.hasPlan === undefined || query.hasPlan === (session.target !== undefined)) &&
    (query.hasStack === undefined || query.hasStack === sequence.hasStack) &&
    (query.tags ?? []).every((tag) => session.tags.map(key).includes(tag))
  );
}

const rangeOf = (values: readonly (number | string)[]) =>
  fc.oneof(
    fc.constantFrom(...values).map(String),
    fc.tuple(fc.constantFrom(...values), fc.constantFrom(...values)).map(([a, b]) => `${a}..${b}`),
    fc.constantFrom(...values).map((value) => `${value}..`),
    fc.constantFrom(...values).map((value) => `..${value}`),
  );

const inputs = fc.record(
  {
    site: fc.constantFrom('flat', 'SANDPIPER', 'e', '%', '_', '100% dark', 'étang', 'nowhere'),
    near: fc.constantFrom('-31.25,20.5', '44,3', '0,0'),
    date: fc.constantFrom('2015', '2016-08', '2014-03..2019-10', '2020..', '..2013-06', '2018-02-11'),
    month: fc.constantFrom('8', 'august', '11..2', '6..9', 'jan..feb'),
    camera: fc.constantFrom('skua', 'PETREL', '7', "'"),
    lens: fc.constantFrom('24', '14 mm', 'zoom'),
    focal: rangeOf([14, '20mm', 24, 35, 50]),
    aperture: rangeOf(['f/1.4', 1.8, 2, 2.8, 'F/4']),
    iso: rangeOf([400, 800, 1600, 3200, 6400, 12800]),
    shutter: rangeOf(['1/250', '2.5s', 8, 10, 15, 30]),
    role: fc.constantFrom(...ROLES),
    kept: rangeOf([0, 5, 10, 20, 40]),
    keepRate: rangeOf([0, '25%', 50, 80]),
    exposure: rangeOf([0, 60, '5m', '10m', '0.5h']),
    moon: rangeOf([0, 10, '50%', 100]),
    fwhm: rangeOf([1.5, 2, 2.5, 4]),
    sky: rangeOf([18, 21.6, 21.9, 22]),
    target: fc.constantFrom('core', 'ARCH', 'rho', 'bär', 'x'),
    toward: fc.constantFrom('core', '83.6,-5', '0,89', '359,10', '180,-90'),
    text: fc.constantFrom(
      'cloud',
      'étoiles night',
      'dew 2',
      'tripod; wind',
      'OR',
      'NEAR(cloud',
      '"',
      'sandpiper',
      '*',
    ),
    tags: fc.constantFrom(['Galaxy  Season'], ['test'], ['with friends', 'test']),
    hasPlan: fc.boolean(),
    hasStack: fc.boolean(),
  },
  { requiredKeys: [] },
);

/** Most combinations of more than four conditions find nothing and prove little. */
const fewInputs: fc.Arbitrary<SearchInput> = fc
  .tuple(inputs, fc.integer({ min: 1, max: 4 }), fc.nat())
  .map(([input, n, turn]) => {
    const names = Object.keys(input);
    const chosen = names.map((_, i) => names[(i * 7 + turn) % names.length]!).slice(0, n);
    return Object.fromEntries(chosen.map((name) => [name, input[name as keyof typeof input]]));
  });

describe('search', () => {
  let library: Library;
  let nights: PlainSession[];
  let dir: string;

  beforeAll(() => {
    // Not the per-test scratch: this library serves all tests below.
    dir = join(scratch.lasting(), 'library');
    library = openLibrary(dir, { mode: 'write' });
    nights = manyNights(library, 120, { seed: 20260813 });
  });
  afterAll(() => library.close());

  it(`finds what a slow filter finds, for ${FULL ? 2000 : 250} random queries (P58)`, () => {
    let found = 0;
    fc.assert(
      fc.property(fewInputs, (input) => {
        let query: SearchQuery;
        try {
          query = parseSearch(input);
        } catch (error) {
          // Reversed ranges get a sentence; nothing else here may be refused.
          expect(error).toBeInstanceOf(NightcairnError);
          expect((error as Error).message).toMatch(/^Expected the (smaller value|earlier date) first/);
          return;
        }
        const result = searchLibrary(library, query);
        const expected = nights
          .map((session) => ({
            id: session.id,
            sequences: session.sequences.filter((each) => fits(session, each, query)).map(({ id }) => id),
          }))
          .filter(({ sequences }) => sequences.length > 0);
        found += expected.length;
        expect(result.count).toBe(expected.length);
        expect(
          result.sessions
            .map(({ session, sequences }) => ({
              id: session.id,
              sequences: sequences.map(({ id }) => id).sort(),
            }))
            .sort((a, b) => (a.id < b.id ? -1 : 1)),
        ).toEqual(
          expected
            .map((each) => ({ ...each, sequences: [...each.sequences].sort() }))
            .sort((a, b) => (a.id < b.id ? -1 : 1)),
        );
      }),
      { numRuns: FULL ? 2000 : 250, seed: 4 },
    );
    expect(found).toBeGreaterThan(1000); // the queries must not all be empty
  });

  it('never lets words of a user into SQL, whatever they are', () => {
    const before = library.database.prepare('SELECT count(*) FROM sessions').pluck().get();
    const nasty = [
      "'; DROP TABLE sessions; --",
      '" OR 1=1 --',
      "Robert'); DELETE FROM frames;--",
      '%',
      '_',
      '\\',
      '*',
      'NEAR(',
      '^',
      'a AND',
      'x:y',
      '\u0000',
      '🌌',
      '\ud800',
      'ß',
      'İ',
      '-',
      '(',
      ')',
      '""',
      "'".repeat(1000),
      'a'.repeat(20_000),
    ];
    for (const text of nasty) {
      for (const field of ['site', 'camera', 'lens', 'target', 'text'] as const) {
        const result = searchLibrary(library, parseSearch({ [field]: text }));
        expect(result.count).toBeLessThanOrEqual(nights.length);
        const { sql } = searchStatement(library, parseSearch({ [field]: text }));
        if (text.trim().length > 3) expect(sql).not.toContain(text);
      }
      expect(searchLibrary(library, { tags: [text] }).count).toBe(0);
    }
    fc.assert(
      fc.property(
        fc.string({ unit: 'binary', minLength: 1 }).filter((text) => text.trim() !== ''),
        (text) => {
          for (const field of ['site', 'camera', 'text', 'target'] as const)
            searchLibrary(library, parseSearch({ [field]: text }));
        },
      ),
      { numRuns: 60, seed: 5 },
    );
    expect(library.database.prepare('SELECT count(*) FROM sessions').pluck().get()).toBe(before);
  });

  it('uses an index on sequences and sessions for every single condition and each of 40 typical searches', () => {
    // The empty search and one that only sorts read everything by nature.
    const queries = [...SINGLE_CONDITIONS, ...TYPICAL_SEARCHES];
    for (const input of queries) {
      const { sql, values } = searchStatement(library, parseSearch(input));
      const plan = library.database
        .prepare<unknown[], { detail: string }>(`EXPLAIN QUERY PLAN ${sql}`)
        .all(values)
        .map(({ detail }) => detail);
      expect(
        plan.filter((detail) => /^SCAN (q|s)\b/.test(detail)),
        `${JSON.stringify(input)}\n${plan.join('\n')}`,
      ).toEqual([]);
    }
  });

  it('sorts, limits and says how far a site is', () => {
    const kept = searchLibrary(library, parseSearch({ role: 'light', sort: 'kept', limit: '5' }));
    expect(kept.sessions).toHaveLength(5);
    expect(kept.count).toBeGreaterThan(5);
    const numbers = kept.sessions.map(({ match }) => match.kept);
    expect(numbers).toEqual([...numbers].sort((a, b) => b - a));
    const newest = searchLibrary(library, {}).sessions.map(({ session }) => session.night);
    expect(newest).toEqual([...newest].sort().reverse());
    const near = searchLibrary(library, parseSearch({ near: '-31.25,20.5', radius: '1' }));
    // One degree of latitude is 111.2 km; this is the site itself.
    expect(near.sessions[0]!.match.distanceKm).toBe(0);
    expect(distanceKm({ latitude: 0, longitude: 0 }, { latitude: 1, longitude: 0 })).toBeCloseTo(111.195, 3); // R = 6371.0088 km
    const sharp = searchLibrary(library, parseSearch({ focal: '24', sort: 'sharpness' })).sessions.map(
      ({ match }) => match.fwhm ?? 99,
    );
    expect(sharp).toEqual([...sharp].sort((a, b) => a - b));
  });

  it('shows the small copy of the finished picture, the newest stack’s, and the large one where there is no small', () => {
    const run = nights.flatMap(({ sequences }) => sequences).find(({ role }) => role === 'light')!;
    const stack = (name: string, files: Record<string, string>) =>
      saveStack(library, {
        sequenceId: run.id,
        folder: `nights/x/stacks/${name}`,
        framesUsed: 3,
        body: { files },
      });
    const found = () => {
      const { session, sequences } = searchLibrary(library, {}).sessions.find(({ sequences: all }) =>
        all.some(({ id }) => id === run.id),
      )!;
      expect(session.id).toBe(run.id.replace(/\/\d+$/, ''));
      return sequences.find(({ id }) => id === run.id)!.thumbnail;
    };
    stack('old', { pictureJpeg: 'nights/x/stacks/old/picture.jpg' });
    expect(found()).toBe(join(dir, 'nights', 'x', 'stacks', 'old', 'picture.jpg'));
    stack('new', { pictureJpeg: 'nights/x/stacks/new/p.jpg', thumbnail: 'nights/x/stacks/new/p-512.jpg' });
    expect(found()).toBe(join(dir, 'nights', 'x', 'stacks', 'new', 'p-512.jpg'));
    // The library of these tests is as it was.
    library.database.prepare("DELETE FROM stacks WHERE folder LIKE 'nights/x/%'").run();
    library.database
      .prepare('UPDATE sequences SET has_stack = ? WHERE id = ?')
      .run(run.hasStack ? 1 : 0, run.id);
  });

  it('finds what looks at a part of the sky, by its stars, else by its plan; across 0 h and at the pole too', () => {
    const by = (input: SearchInput) =>
      searchLibrary(library, parseSearch(input)).sessions.flatMap(({ sequences }) =>
        sequences.map((each) => each.id),
      );
    const lights = nights.flatMap((session) =>
      session.sequences
        .map((sequence) => ({ session, sequence }))
        .filter(({ sequence: { role } }) => role === 'light'),
    );
    for (const [toward, place] of [
      ['0.5,10', [0.5, 10]],
      ['12,-89.5', [12, -89.5]],
      ['core', PLACES.core!],
      ['17:45:40,-29:00', PLACES.core!],
    ] as const) {
      const query = parseSearch({ toward, within: '35' });
      const expected = lights.filter(({ session, sequence }) => fits(session, sequence, query));
      expect(by({ toward, within: '35' }).sort(), toward).toEqual(
        expected.map(({ sequence }) => sequence.id).sort(),
      );
      const solved = expected.filter(({ sequence: { center } }) => center);
      expect(solved.length, toward).toBeGreaterThan(0);
      for (const {
        sequence: { center },
      } of solved)
        expect(skyAngle([center!.rightAscension, center!.declination], place)).toBeLessThan(35.01); // deg; the written position is rounded
    }
    const unsolved = lights.find(({ session, sequence }) => session.target === 'core' && !sequence.center)!;
    expect(by({ toward: 'core', within: '1' })).toContain(unsolved.sequence.id);
    expect(by({ toward: '86.4,29', within: '100' })).not.toContain(unsolved.sequence.id);
  });

  it('finds words and tags on sequences, and forgets them when they are taken away', () => {
    const { id } = nights[3]!.sequences[0]!;
    setNotes(library, { kind: 'sequence', id }, 'a very particular albatross');
    setTags(library, { kind: 'sequence', id }, ['  Rare   Bird ']);
    const by = (input: SearchInput) =>
      searchLibrary(library, parseSearch(input)).sessions.flatMap(({ sequences }) =>
        sequences.map((each) => each.id),
      );
    expect(by({ text: 'Albatr' })).toEqual([id]);
    expect(by({ tags: ['rare bird'] })).toEqual([id]);
    setNotes(library, { kind: 'sequence', id }, '');
    setTags(library, { kind: 'sequence', id }, []);
    expect(by({ text: 'albatross' })).toEqual([]);
    expect(by({ tags: ['rare bird'] })).toEqual([]);
  });

  it('counts one’s own nights by site, lens, month and ISO', () => {
    const lights = nights.flatMap((session) =>
      session.sequences.filter(({ role }) => role === 'light').map((sequence) => ({ session, sequence })),
    );
    for (const row of statsBy(library, 'iso')) {
      const own = lights.filter(({ sequence }) => sequence.iso === row.key);
      expect(row.kept).toBe(own.reduce((sum, { sequence }) => sum + sequence.kept, 0));
      expect(row.nights).toBe(new Set(own.map(({ session }) => session.night)).size);
    }
    expect(statsBy(library, 'month').map(({ key: month }) => month)).toHaveLength(
      new Set(lights.map(({ session }) => session.night.slice(5, 7))).size,
    );
    expect(statsBy(library, 'site').reduce((sum, { frames }) => sum + frames, 0)).toBe(
      statsBy(library, 'lens').reduce((sum, { frames }) => sum + frames, 0),
    );
  });
});

describe('parseSearch', () => {
  it('reads values and ranges of every kind', () => {
    expect(
      parseSearch({ iso: '800..3200', shutter: '1/4..2m', moon: '10', month: 'nov..2', date: '2026-08' }),
    ).toEqual({
      iso: { min: 800, max: 3200 },
      shutter: { min: 0.25, max: 120 },
      moon: { max: 10 },
      month: { from: 11, to: 2 },
      date: { from: '2026-08-01', to: '2026-08-31' },
    });
    expect(parseRange('iso', '..1600', { example: 'x' })).toEqual({ max: 1600 });
  });

  it('refuses what it cannot read with one sentence and an example', () => {
    const bad: SearchInput[] = [
      { iso: 'high' },
      { iso: '..' },
      { iso: '1..2..3' },
      { iso: '' },
      { iso: '-100' },
      { iso: '3200..800' },
      { iso: 'NaN' },
      { iso: '1e999' },
      { iso: '0x10' },
      { shutter: '1/0' },
      { shutter: 'long' },
      { date: '2026-13' },
      { date: '2026-02-30' },
      { date: 'yesterday' },
      { date: '2027..2026' },
      { month: '13' },
      { month: 'ma' },
      { month: '0' },
      { near: '91,0' },
      { near: '1' },
      { near: 'x,y' },
      { radius: '5' },
      { toward: 'arch' },
      { toward: '400,0' },
      { toward: '10' },
      { within: '5' },
      { toward: 'core', within: '-1' },
      { role: 'bright' },
      { sort: 'nice' },
      { limit: '0' },
      { limit: '1.5' },
      { site: ' ' },
      { tags: [' '] },
    ];
    for (const input of bad) {
      expect(() => parseSearch(input), JSON.stringify(input)).toThrow(
        expect.objectContaining({
          name: 'InputError',
          message: expect.stringMatching(/^Expected .+(received|--)/),
        }),
      );
    }
  });

  it('takes huge numbers for what they are', () => {
    expect(parseSearch({ iso: '1e300..' }).iso).toEqual({ min: 1e300 });
    const library = openLibrary(scratch(), { mode: 'write' });
    expect(
      searchLibrary(library, parseSearch({ iso: '1e300..', kept: '..99999999999999999999' })).count,
    ).toBe(0);
    library.close();
  });
});

/** Time of this process on the processor, ms: what a quiet machine's clock would show, however busy this one is. */
const cpuMs = (): number => {
  const { user, system } = process.cpuUsage();
  return (user + system) / 1000;
};

describe('a large catalogue', () => {
  const [sessions, perSequence] = FULL ? [2000, 67] : [300, 5];

  it(`answers typical searches at once over ${sessions} sessions`, { timeout: 300_000 }, () => {
    const dir = join(scratch(), 'large');
    const library = openLibrary(dir, { mode: 'write' });
    manyNights(library, sessions, { framesPerSequence: perSequence });
    library.close();
    const opening = cpuMs();
    const reader = openLibrary(dir, { mode: 'read' });
    const opened = cpuMs() - opening;
    expect(TYPICAL_SEARCHES).toHaveLength(40);
    const times = TYPICAL_SEARCHES.flatMap((input) =>
      [1, 2, 3].map(() => {
        const start = cpuMs();
        searchLibrary(reader, parseSearch(input));
        return cpuMs() - start;
      }),
    ).sort((a, b) => a - b);
    const p95 = times[Math.floor(times.length * 0.95)]!;
    const frames = reader.database.prepare('SELECT count(*) FROM frames').pluck().get();
    reader.close();
    const size = statSync(join(dir, 'catalogue.sqlite')).size / 1e6;
    if (FULL)
      console.log(
        `${frames} frames: open ${opened.toFixed(1)} ms, p50 ${times[60]!.toFixed(1)} ms, p95 ${p95.toFixed(1)} ms, ${size.toFixed(0)} MB`,
      );
    // Issue 13: 60 ms, 100 ms and 400 MB on a quiet machine with the full catalogue; the small one is far below.
    expect(p95).toBeLessThan(60);
    expect(opened).toBeLessThan(100);
    expect(size).toBeLessThan(400);
  });
});
