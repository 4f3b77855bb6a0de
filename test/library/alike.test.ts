import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import {
  alikeRuns,
  bestNights,
  bodyStats,
  type Library,
  lensStats,
  openLibrary,
  parseSearch,
  rememberNoise,
  searchLibrary,
  statsBy,
} from '../../src/library/index.js';
import { scratch } from './_card.js';
import { manyNights, type PlainSession } from './_many-nights.js';

describe('over one’s own nights', () => {
  let library: Library;
  let nights: PlainSession[];

  beforeAll(() => {
    library = openLibrary(scratch.lasting(), { mode: 'write' });
    nights = manyNights(library, 120, { seed: 7 });
  });
  afterAll(() => library.close());

  const lights = () =>
    nights.flatMap((session) =>
      session.sequences.filter(({ role }) => role === 'light').map((sequence) => ({ session, sequence })),
    );

  it('the run most like another comes first, and what differs is told from both sides', () => {
    const [{ sequence, session }] = lights().filter(({ sequence: s }) => s.kept > 0) as [
      ReturnType<typeof lights>[number],
    ];
    const twin = library.database
      .prepare<[string], { id: string }>("SELECT id FROM sequences WHERE id <> ? AND role = 'light' LIMIT 1")
      .get(sequence.id)!.id;
    // A run of the same everything but the ISO, one stop up, and rounder stars.
    library.database
      .prepare(
        `UPDATE sequences SET (camera, lens, focal_length, f_number, exposure_time, frame_count, moonlight, kept, doubtful,
           dropped, total_exposure, background, limiting) = (SELECT camera, lens, focal_length, f_number, exposure_time,
           frame_count, moonlight, kept, doubtful, dropped, total_exposure, background, limiting FROM sequences WHERE id = @id),
         iso = 2 * (SELECT iso FROM sequences WHERE id = @id), fwhm = 0.7 * (SELECT fwhm FROM sequences WHERE id = @id),
         session_id = session_id WHERE id = @twin`,
      )
      .run({ id: sequence.id, twin });
    const place = library.database
      .prepare<[string], { session_id: string }>('SELECT session_id FROM sequences WHERE id = ?')
      .get(twin)!.session_id;
    library.database
      .prepare(
        'UPDATE sessions SET (site_id, month) = (SELECT site_id, month FROM sessions WHERE id = ?) WHERE id = ?',
      )
      .run(session.id, place);
    const [first, ...rest] = alikeRuns(library, sequence.id, 8);
    expect(first!.sequence.id).toBe(twin);
    expect(rest).toHaveLength(7);
    for (const [i, run] of rest.entries())
      expect(run.likeness).toBeLessThanOrEqual([first!, ...rest][i]!.likeness);
    expect(first!.differences).toEqual([
      { of: 'settings', what: 'ISO', there: 2 * sequence.iso!, here: sequence.iso },
      {
        ...{ of: 'results', what: 'star size', unit: 'px' },
        there: Number((0.7 * sequence.fwhm!).toFixed(2)),
        here: Number(sequence.fwhm!.toFixed(2)),
      },
    ]);
  });

  it('likeness is symmetric, and only lights are alike', () => {
    const [a, b] = lights()
      .slice(3, 5)
      .map(({ sequence }) => sequence.id) as [string, string];
    const find = (of: string, other: string) =>
      alikeRuns(library, of, 100_000).find(({ sequence }) => sequence.id === other)!;
    expect(find(a, b).likeness).toBeCloseTo(find(b, a).likeness, 12);
    for (const run of alikeRuns(library, a, 100_000)) expect(run.sequence.role).toBe('light');
    const dark = nights.flatMap(({ sequences }) => sequences).find(({ role }) => role === 'dark')!.id;
    expect(() => alikeRuns(library, dark)).toThrow(expect.objectContaining({ code: 'UNKNOWN_ID' }));
    expect(() => alikeRuns(library, 'none')).toThrow(expect.objectContaining({ code: 'UNKNOWN_ID' }));
  });

  it('counts within a search are those of its runs', () => {
    for (const input of [{ site: 'flat' }, { focal: '24', month: '5..9' }, { moon: '0', role: 'dark' }]) {
      const query = parseSearch(input);
      const found = searchLibrary(library, { ...query, role: 'light' }).sessions;
      const kept = found.flatMap(({ sequences }) => sequences).reduce((sum, each) => sum + each.kept, 0);
      expect(statsBy(library, 'iso', query).reduce((sum, row) => sum + row.kept, 0)).toBe(kept);
    }
  });

  it('lenses are told by aperture: the sharpest seen is the one with the smallest stars', () => {
    const plain = new Map<string, number[]>();
    for (const cells of library.database
      .prepare<[], { lens: string; focal_length: number; f_number: number; fwhm: number }>(
        "SELECT * FROM sequences WHERE role = 'light' AND fwhm IS NOT NULL AND lens IS NOT NULL AND f_number IS NOT NULL",
      )
      .all()) {
      const key = `${cells.lens} ${cells.focal_length} ${cells.f_number}`;
      plain.set(key, [...(plain.get(key) ?? []), cells.fwhm]);
    }
    const stats = lensStats(library);
    expect(stats.reduce((sum, { apertures }) => sum + apertures.length, 0)).toBe(plain.size);
    for (const { lens, focalLength, apertures, sharpest } of stats) {
      for (const { fNumber, fwhm, runs } of apertures) {
        const own = plain.get(`${lens} ${focalLength ?? null} ${fNumber}`)!;
        expect(runs).toBe(own.length);
        expect(fwhm).toBeCloseTo(own.reduce((a, b) => a + b, 0) / own.length, 9); // sums of doubles in another order
      }
      const best = [...apertures].sort((a, b) => a.fwhm - b.fwhm)[0]!;
      expect(sharpest).toBe(apertures.length > 1 ? best.fNumber : undefined);
    }
  });

  it('bodies are told by ISO: the lowest that is as quiet as it gets is named', () => {
    for (const [iso, readNoise] of [
      [400, 6.1],
      [800, 3.4],
      [1600, 2.2],
      [3200, 2.05],
      [6400, 2.1],
    ] as const)
      rememberNoise(library, 'Skua 7', iso, { gain: 800 / iso, readNoise });
    expect(bodyStats(library)).toMatchObject([{ body: 'Skua 7', bestIso: 1600 }]); // 2.2 <= 1.1 x 2.05 = 2.255
    rememberNoise(library, 'Petrel', 800, { gain: 1 });
    expect(bodyStats(library)[0]).toEqual({ body: 'Petrel', isos: [{ iso: 800, gain: 1 }] });
  });

  it('the best nights are those with most light kept', () => {
    const light = new Map<string, number>();
    for (const cells of library.database
      .prepare<[], { session_id: string; total_exposure: number; kept: number; frame_count: number }>(
        "SELECT * FROM sequences WHERE role = 'light' AND kept > 0",
      )
      .all()) {
      const share = (cells.total_exposure * cells.kept) / cells.frame_count;
      light.set(cells.session_id, (light.get(cells.session_id) ?? 0) + share);
    }
    const order = [...light].sort(([, a], [, b]) => b - a).map(([id]) => id);
    expect(bestNights(library, 3).map(({ sessionId }) => sessionId)).toEqual(order.slice(0, 3));
  });
});
