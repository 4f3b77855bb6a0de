import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { type FrameForGrouping, groupFrames } from '../../src/nights/index.js';
import { type RunOfFrames, run } from './_frames.js';
import { makeSky, type Pointing, seeDark, seeDay, seeFlat, seeSky, type View } from './_sky-model.js';

const START = '2026-06-14T18:00:00Z';
const SIZE = { width: 6000, height: 4000 };
const SOUTH: Pointing = { azimuth: 180, altitude: 25, roll: 0 };
const sky = makeSky(5, -31);
const random = seededRandom(17);

const group = (...heaps: FrameForGrouping[][]) => groupFrames(heaps.flat(), { nightOf: () => '2026-06-14' });
const sequencesOf = (...heaps: FrameForGrouping[][]) =>
  group(...heaps).sessions.flatMap(({ sequences }) => sequences);
const at = (seconds: number) => new Date(Date.parse(START) + seconds * 1000).toISOString();

/** A run that looks at the sky; `change` alters the view of frame i. */
function skyRun(
  options: Partial<RunOfFrames> & { readonly after?: number; readonly change?: (i: number) => Partial<View> },
): FrameForGrouping[] {
  const { after = 0, every = 16 } = options;
  return run({
    name: 'f',
    count: 12,
    start: at(after),
    ...options,
    glimpse: (i) =>
      seeSky(
        sky,
        {
          pointing: SOUTH,
          ...SIZE,
          focalPx: 4000,
          seconds: after + i * every,
          level: 0.03,
          clear: 1,
          starSize: 2.5,
          land: 0.2,
          ...options.change?.(i),
        },
        random,
      ),
  });
}

describe('roles', () => {
  it('keeps a clouded frame in its run: it is no dark', () => {
    const found = sequencesOf(skyRun({ change: (i) => (i > 3 && i < 8 ? { clear: 0, level: 0.012 } : {}) }));
    expect(found.map(({ role, frameIds }) => [role, frameIds.length])).toEqual([['light', 12]]);
  });

  it('takes lens-cap frames at the end of a run for darks, glow at the edge and all', () => {
    const darks = run({ name: 'g', start: at(220), count: 8, glimpse: () => seeDark(SIZE, 4e-4, random) });
    const found = sequencesOf(skyRun({}), darks);
    expect(found.map(({ role, frameIds }) => [role, frameIds.length])).toEqual([
      ['light', 12],
      ['dark', 8],
    ]);
  });

  it('takes short, bright, even frames for flats and the shortest dark ones for biases', () => {
    const flats = run({
      name: 'g',
      start: at(400),
      count: 10,
      exposureTime: 1 / 30,
      every: 2,
      glimpse: () => seeFlat(SIZE, random),
    });
    const biases = run({
      name: 'h',
      start: at(500),
      count: 10,
      exposureTime: 1 / 4000,
      every: 2,
      glimpse: () => seeDark(SIZE, 0, random),
    });
    expect(sequencesOf(skyRun({}), flats, biases).map(({ role }) => role)).toEqual(['light', 'flat', 'bias']);
  });

  it('keeps a twilight frame with the settings of the run in it: it is no flat', () => {
    const found = sequencesOf(skyRun({ change: (i) => (i < 4 ? { clear: 0, level: 0.4 } : {}) }));
    expect(found.map(({ role }) => role)).toEqual(['light']);
    // Even an empty, even sky.
    const even = run({ name: 'e', start: at(-64), count: 4, glimpse: () => seeFlat(SIZE, random) });
    expect(group(skyRun({}), even).roles.filter(({ role }) => role !== 'light')).toEqual([]);
  });

  it('calls a daylight snapshot other', () => {
    const snap = run({
      name: 's',
      start: at(-3000),
      count: 1,
      exposureTime: 1 / 125,
      iso: 200,
      glimpse: () => seeDay(SIZE, random),
    });
    expect(sequencesOf(snap, skyRun({})).map(({ role }) => role)).toEqual(['other', 'light']);
  });

  it('gives an unreadable frame the role of its neighbours, else what its shutter allows, else other', () => {
    const frames = skyRun({}).map((frame, i) => {
      if (i !== 5) return frame;
      const { glimpse: _, ...rest } = frame;
      return rest;
    });
    expect(group(frames).roles.find(({ id }) => id === 'f0005')?.role).toBe('light');
    expect(group(run({ name: 'a', start: START, count: 1 })).roles[0]!.role).toBe('light');
    expect(group(run({ name: 'a', start: START, count: 1, exposureTime: 1 / 60 })).roles[0]!.role).toBe(
      'other',
    );
  });

  it.each([
    ['night/darks/IMG_0001.RAW', 'dark'],
    ['night/Flats 01/IMG_0001.RAW', 'flat'],
    ['bias_0001.png', 'bias'],
    ['dark-sky-park/IMG_0001.RAW', 'light'],
    ['2026-08-13 salt flats/IMG_0001.RAW', 'light'],
  ])('reads %s as a hint of %s, where the pixels do not tell', (path, role) => {
    const [frame] = run({ name: 'a', start: START, count: 1 });
    expect(group([{ ...frame!, path }]).roles[0]!.role).toBe(role);
  });

  it('trusts stars more than a folder name', () => {
    const frames = skyRun({ folder: 'darks' });
    expect(sequencesOf(frames).map(({ role }) => role)).toEqual(['light']);
  });

  it('lets the file outrank the pixels and the photographer outrank both', () => {
    const [first, second, ...rest] = skyRun({});
    const { roles } = group([
      { ...first!, header: { ...first!.header, statedRole: 'flat' } },
      { ...second!, header: { ...second!.header, statedRole: 'flat' }, chosenRole: 'test' },
      ...rest,
    ]);
    expect(roles.slice(0, 3).map(({ role }) => role)).toEqual(['flat', 'test', 'light']);
  });

  it('recognises a focus sweep and names its best frame', () => {
    const sizes = [5.5, 4.6, 3.8, 3.0, 2.5, 3.1, 3.9];
    const sweep = skyRun({
      name: 's',
      count: 7,
      every: 23,
      after: -400,
      change: (i) => ({ starSize: sizes[i]! }),
    });
    const [first, second] = sequencesOf(sweep, skyRun({ every: 16 }));
    expect(first).toMatchObject({ role: 'test', frameIds: sweep.map(({ id }) => id) });
    expect(first!.notes.join(' ')).toMatch(/sharpest is IMG_0005/);
    expect(second).toMatchObject({ role: 'light' });
  });

  it('calls one or two shots of another framing before a run tests, three of them lights', () => {
    const aside = { pointing: { ...SOUTH, azimuth: 20 } };
    const roles = (count: number) =>
      sequencesOf(
        skyRun({ name: 'a', count, after: -200, every: 25, change: () => aside }),
        skyRun({ count: 20 }),
      ).map(({ role }) => role);
    expect(roles(2)).toEqual(['test', 'light']);
    expect(roles(3)).toEqual(['light', 'light']);
  });
});

describe('sequences', () => {
  it('run through a change of folder and the roll from 9999 to 0001 (P48)', () => {
    const frames = [
      ...skyRun({ name: 'a', count: 8, firstNumber: 9992, folder: 'DCIM/100HARRW' }),
      ...skyRun({ name: 'b', count: 8, after: 128, firstNumber: 1, folder: 'DCIM/101HARRW' }),
    ];
    const [only, ...others] = sequencesOf(frames);
    expect(others).toEqual([]);
    expect(only!.frameIds).toEqual(frames.map(({ id }) => id));
    expect(only!.holes).toEqual([]);
  });

  it('tell the real shutter from the cadence (P03)', () => {
    const real = (every: number, exposureTime: number) =>
      sequencesOf(run({ name: 'f', start: START, count: 12, every, exposureTime }))[0]!.realExposureTime;
    expect(real(16.4, 15)).toBe(16);
    expect(real(32.6, 30)).toBe(32);
    expect(real(31.2, 30)).toBe(30); // a 32 s shutter cannot start every 31.2 s
    expect(real(40, 30)).toBeUndefined();
    expect(real(20.5, 20)).toBeUndefined();
  });

  it('count a nominal and a real shutter as one setting (P03)', () => {
    const frames = run({ name: 'f', start: START, count: 12 }).map((frame, i) => ({
      ...frame,
      header: { ...frame.header, exposureTime: i % 2 ? 16 : 15 },
    }));
    expect(sequencesOf(frames)).toHaveLength(1);
  });

  it("find the camera's own darks: likely from the cadence, sure from its note (P17)", () => {
    const found = (header: object) =>
      sequencesOf(run({ name: 'f', start: START, count: 10, every: 31, header }))[0]!.inCameraDark;
    expect(found({})).toBe('likely');
    expect(found({ longExposureNoiseReduction: true })).toBe('sure');
    expect(found({ longExposureNoiseReduction: false })).toBeUndefined();
    expect(sequencesOf(run({ name: 'f', start: START, count: 10 }))[0]!.inCameraDark).toBeUndefined();
  });

  it('list holes in time with their length and likely cause, numbers or no numbers (P20, P21, P23)', () => {
    // Frames 5 and 12 are followed by holes; the numbering has no jump.
    const gaps = new Map([
      [6, 16],
      [13, 200],
    ]);
    let clock = Date.parse(START);
    const frames = run({ name: 'f', start: START, count: 20 }).map((frame, i) => {
      clock += (i === 0 ? 0 : 16 + (gaps.get(i) ?? 0)) * 1000;
      return { ...frame, startMs: clock };
    });
    const [only, ...others] = sequencesOf(frames);
    expect(others).toEqual([]);
    expect(only!.cadence).toBeCloseTo(16, 6); // exact times; rounding only
    expect(only!.holes.map(({ afterFrameId, length }) => [afterFrameId, Math.round(length)])).toEqual([
      ['f0005', 16],
      ['f0012', 200],
    ]);
    expect(only!.holes[0]!.likelyCause).toMatch(/skipped/);
    expect(only!.holes[1]!.likelyCause).toMatch(/battery.*without a jump/);
    const missing = run({ name: 'f', start: START, count: 20 }).filter((_, i) => i !== 9);
    expect(sequencesOf(missing)[0]!.holes[0]!.likelyCause).toMatch(/1 file number is missing/);
  });

  it('stay one where a person gave frames in their middle another role; there is no hole there', () => {
    const frames = run({ name: 'f', start: START, count: 20 }).map((frame, i) =>
      i === 9 || i === 10 ? { ...frame, chosenRole: 'test' as const } : frame,
    );
    const found = sequencesOf(frames);
    expect(found.map(({ role, frameIds }) => [role, frameIds.length])).toEqual([
      ['light', 18],
      ['test', 2],
    ]);
    expect(found[0]!.holes).toEqual([]);
    // At its end they are no part of it, and a role that is the run's own changes nothing.
    const end = frames.map((frame, i) => (i < 11 ? frame : { ...frame, chosenRole: 'dark' as const }));
    expect(sequencesOf(end).map(({ role, frameIds }) => [role, frameIds.length])).toEqual([
      ['light', 9],
      ['test', 2],
      ['dark', 9],
    ]);
    const same = frames.map((frame) =>
      frame.chosenRole ? { ...frame, chosenRole: 'light' as const } : frame,
    );
    expect(sequencesOf(same).map(({ frameIds }) => frameIds.length)).toEqual([20]);
  });

  it('break at a gap above five minutes and ten cadences, and not below', () => {
    const pair = (pause: number, every: number) =>
      sequencesOf(
        run({ name: 'a', start: START, count: 10, every, exposureTime: every - 1 }),
        run({ name: 'b', start: at(10 * every + pause), count: 10, every, exposureTime: every - 1 }),
      ).length;
    expect(pair(280, 16)).toBe(1);
    expect(pair(320, 16)).toBe(2);
    expect(pair(400, 60)).toBe(1); // ten cadences are 600 s
    expect(pair(620, 60)).toBe(2);
  });

  it('stay one through a knock, with a new segment; a larger turn begins a new one (P30)', () => {
    const turned = (degrees: number) =>
      sequencesOf(
        skyRun({
          count: 24,
          change: (i) => (i < 10 ? {} : { pointing: { ...SOUTH, altitude: 25 + degrees } }),
        }),
      );
    // 4000 px of focal length: 1 degree is 70 px, 4 degrees 280 px of 4000; 20 degrees are over a third.
    for (const degrees of [1, 4]) {
      const [only, ...others] = turned(degrees);
      expect(others).toEqual([]);
      expect(only!.segmentStarts).toEqual(['f0010']);
    }
    expect(turned(20).map(({ frameIds }) => frameIds.length)).toEqual([10, 14]);
    expect(turned(0)[0]!.segmentStarts).toEqual([]);
  });

  it('do not take one shaken frame for a knock', () => {
    const found = sequencesOf(
      skyRun({ count: 20, change: (i) => (i === 9 ? { pointing: { ...SOUTH, altitude: 26 } } : {}) }),
    );
    expect(found).toHaveLength(1);
    expect(found[0]!.segmentStarts).toEqual([]);
  });

  it('split where the focus changed for good (P27)', () => {
    const found = sequencesOf(skyRun({ count: 20, change: (i) => (i < 8 ? {} : { starSize: 5 }) }));
    expect(found.map(({ frameIds }) => frameIds.length)).toEqual([8, 12]);
  });

  it('split where the zoom moved though the header does not say so (P08, P29)', () => {
    const found = sequencesOf(skyRun({ count: 20, change: (i) => (i < 8 ? {} : { focalPx: 4120 }) }));
    expect(found.map(({ frameIds }) => frameIds.length)).toEqual([8, 12]);
  });

  it('name longer, lower-ISO shots of the same framing as land frames (P10)', () => {
    const land = skyRun({
      name: 'g',
      count: 2,
      after: 220,
      every: 125,
      exposureTime: 120,
      iso: 800,
      change: () => ({ clear: 0, level: 0.06 }),
    });
    const [main, found] = sequencesOf(skyRun({}), land);
    expect(main!.role).toBe('light');
    expect(found).toMatchObject({ role: 'light', frameIds: land.map(({ id }) => id) });
    expect(found!.notes.join(' ')).toMatch(/land frames/);
  });

  it('put a bracket together, and bodies and alternating settings apart (P07)', () => {
    const shutters = [8, 13, 20];
    const bracket = run({ name: 'f', start: START, count: 12, every: 24 }).map((frame, i) => ({
      ...frame,
      header: { ...frame.header, exposureTime: shutters[i % 3]! },
    }));
    expect(sequencesOf(bracket).map(({ bracketed, frameIds }) => [bracketed, frameIds.length])).toEqual([
      [true, 12],
    ]);
    const wide = bracket.map((frame, i) => ({
      ...frame,
      header: { ...frame.header, exposureTime: i % 2 ? 15 : 3 },
    }));
    expect(sequencesOf(wide).map(({ bracketed, frameIds }) => [bracketed, frameIds.length])).toEqual([
      [false, 6],
      [false, 6],
    ]);
    const bodies = sequencesOf(
      run({ name: 'a', start: START, count: 10, header: { serial: '1' } }),
      run({ name: 'b', start: at(5), count: 10, header: { serial: '2' } }),
    );
    expect(bodies.map(({ frameIds }) => frameIds.length)).toEqual([10, 10]);
  });

  it('part two like bodies without serial numbers by their running numbers, since exposures cannot overlap', () => {
    const found = sequencesOf(
      run({ name: 'a', start: START, count: 20, firstNumber: 100, folder: 'DCIM/100HARRW' }),
      run({ name: 'b', start: at(6), count: 20, firstNumber: 5100, folder: 'DCIM/100HARRW' }),
    );
    expect(found.map(({ frameIds }) => frameIds.length)).toEqual([20, 20]);
  });

  it('give a frame without a time its place by number (P55)', () => {
    const frames = run({ name: 'f', start: START, count: 10 }).map((frame, i) => {
      if (i !== 4) return frame;
      const { startMs: _, ...rest } = frame;
      return rest;
    });
    const [only, ...others] = sequencesOf(frames);
    expect(others).toEqual([]);
    expect(only!.frameIds[4]).toBe('f0004');
  });
});
