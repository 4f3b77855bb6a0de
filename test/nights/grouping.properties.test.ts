import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { FrameHeader } from '../../src/core/index.js';
import { type FrameForGrouping, type FrameGlimpse, groupFrames } from '../../src/nights/index.js';

const RUNS = process.env.NIGHTCAIRN_FULL === '1' ? 5000 : 200;
const options = { nightOf: (ms: number) => new Date(ms - 12 * 3600_000).toISOString().slice(0, 10) };

const maybe = <T>(value: fc.Arbitrary<T>) => fc.option(value, { nil: undefined, freq: 5 });

const glimpses: fc.Arbitrary<FrameGlimpse> = fc
  .record({
    level: fc.constantFrom(0, 0.001, 0.02, 0.4, 0.9),
    stars: fc.constantFrom(0, 3, 12, 60),
    seed: fc.integer({ min: 1, max: 4 }),
    size: fc.constantFrom(2, 2.1, 4),
  })
  .map(({ level, stars, seed, size }) => ({
    median: level,
    mean: level,
    high: level,
    scatter: 1e-4,
    clippedShare: 0,
    unevenness: 0.4,
    starCount: stars,
    thumbnail: { width: 4, height: 3, data: new Float32Array(12).fill(level) },
    peaks: Float32Array.from({ length: 2 * stars }, (_, i) => ((i + 1) * seed * 7919) % 4000),
    ...(stars > 3 ? { sharpness: size } : {}),
  }));

/** A header with any field missing. */
const headers = fc
  .record({
    camera: maybe(fc.constantFrom('Harrow H2', 'Bellwether 70')),
    serial: maybe(fc.constantFrom('1', '2')),
    exposureTime: maybe(fc.constantFrom(1 / 4000, 5, 15, 16, 20, 30, 240)),
    iso: maybe(fc.constantFrom(400, 3200)),
    fNumber: maybe(fc.constantFrom(2.8, 4)),
    width: maybe(fc.constant(6000)),
    fileNumber: maybe(fc.integer({ min: 1, max: 9999 })),
    format: fc.constantFrom('raw' as const, 'jpeg' as const),
  })
  .map(
    (fields) =>
      ({
        ...Object.fromEntries(Object.entries(fields).filter(([, value]) => value !== undefined)),
        formatName: fields.format,
        warnings: [],
      }) as unknown as FrameHeader,
  );

/** A heap of frames: any times, folders and numbers, RAW and JPEG of one name among them. */
const heaps: fc.Arbitrary<FrameForGrouping[]> = fc
  .array(
    fc.record({
      header: headers,
      second: maybe(fc.integer({ min: 0, max: 4000 })),
      folder: fc.constantFrom('DCIM/100HARRW', 'DCIM/101HARRW', 'darks', 'flats', 'x/tests'),
      number: fc.integer({ min: 1, max: 40 }),
      glimpse: maybe(glimpses),
      role: fc.option(fc.constantFrom('light' as const, 'dark' as const, 'other' as const), {
        nil: undefined,
        freq: 1,
      }),
    }),
    { maxLength: 40 },
  )
  .map((rows) =>
    rows.map(({ header, second, folder, number, glimpse, role }, i) => ({
      id: `id${i}`,
      path: `${folder}/HRW_${String(number).padStart(4, '0')}.${header.format === 'raw' ? 'RAW' : 'JPG'}`,
      header,
      ...(second === undefined ? {} : { startMs: Date.parse('2026-06-14T09:30:00Z') + second * 1000 * 3 }),
      ...(glimpse ? { glimpse } : {}),
      ...(role ? { chosenRole: role } : {}),
    })),
  );

const placed = (frames: readonly FrameForGrouping[]) => groupFrames(frames, options);

describe('groupFrames, for all heaps of frames', () => {
  it('puts every frame in exactly one sequence and gives it exactly one role', () => {
    fc.assert(
      fc.property(heaps, (frames) => {
        const { sessions, roles } = placed(frames);
        const ids = frames.map(({ id }) => id).sort();
        expect(
          sessions.flatMap(({ sequences }) => sequences.flatMap(({ frameIds }) => frameIds)).sort(),
        ).toEqual(ids);
        expect(roles.map(({ id }) => id).sort()).toEqual(ids);
        for (const { reason } of roles) expect(reason.length).toBeGreaterThan(5);
      }),
      { numRuns: RUNS },
    );
  });

  it('does not depend on the order of the input', () => {
    fc.assert(
      fc.property(
        heaps.chain((frames) =>
          fc.tuple(fc.constant(frames), fc.shuffledSubarray(frames, { minLength: frames.length })),
        ),
        ([frames, shuffled]) => {
          expect(placed(shuffled)).toEqual(placed(frames));
        },
      ),
      { numRuns: RUNS },
    );
  });

  it('lets a chosen role win and keeps one role and one night to a sequence', () => {
    fc.assert(
      fc.property(heaps, (frames) => {
        const { sessions, roles } = placed(frames);
        const role = new Map(roles.map((found) => [found.id, found]));
        const frame = new Map(frames.map((one) => [one.id, one]));
        for (const { id, chosenRole } of frames) {
          if (chosenRole) expect(role.get(id)!.role).toBe(chosenRole);
        }
        for (const { night, sequences } of sessions) {
          for (const sequence of sequences) {
            for (const id of sequence.frameIds) {
              const { twinOf, role: own } = role.get(id)!;
              if (twinOf !== undefined) continue;
              expect(own).toBe(sequence.role);
              const start = frame.get(id)!.startMs;
              if (start !== undefined) expect(options.nightOf(start)).toBe(night);
            }
          }
        }
      }),
      { numRuns: RUNS },
    );
  });
});
