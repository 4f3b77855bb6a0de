import { describe, expect, it } from 'vitest';
import { nextTime, type ReportData, type ReportFrame, type ReportRun } from '../../src/report/index.js';
import { badFrame, goodFrame, goodNight, goodRun, goodStack, runWith } from './_night.js';

const ids = (data: ReportData): string[] => nextTime(data).map((advice) => advice.id);
const every = (change: Partial<ReportFrame>, more: Partial<ReportRun> = {}): ReportData => {
  const run = goodRun(40, more);
  return goodNight({ ...run, frames: run.frames.map((frame) => ({ ...frame, ...change })) });
};
const reason = (code: 'soft' | 'dew' | 'shaken' | 'glare' | 'twilight', value: number, limit: number) => ({
  code,
  value,
  limit,
  text: `${code} ${value}`,
});

/** Each advice: a night that calls for it, a night just short of that, and numbers that the advice must state. */
const cases: readonly {
  readonly id: string;
  readonly calls: () => ReportData;
  readonly spares: () => ReportData;
  readonly says: readonly string[];
}[] = [
  {
    id: 'shorter-shutter',
    calls: () => every({ trailLength: 5 }),
    spares: () => every({ trailLength: 2.9 }),
    // 2 px of 5 px at 10 s: 4 s, and 2.5 times as many frames.
    says: ['about 4 s', '5 px long at 10 s', '2.5 times as many'],
  },
  {
    id: 'check-focus',
    calls: () =>
      goodNight(runWith({ 30: badFrame(30, 'doubt', reason('soft', 1.34, 1.2), { fwhmRatio: 1.34 }) })),
    spares: () => goodNight(runWith({ 30: goodFrame(30, { fwhmRatio: 1.15 }) })),
    says: ['1 frame went soft', '1.3 times as wide'],
  },
  {
    id: 'dew-heater',
    calls: () => goodNight(runWith({ 39: badFrame(39, 'doubt', reason('dew', 1.25, 1.2)) })),
    spares: () => goodNight(),
    says: ['1 frame'],
  },
  {
    id: 'release',
    calls: () => goodNight(runWith({ 0: badFrame(0, 'drop', reason('shaken', 7, 2.5)) })),
    spares: () => goodNight(runWith({ 20: badFrame(20, 'drop', reason('shaken', 7, 2.5)) })),
    says: ['self-timer', '1 frame is smeared'],
  },
  {
    id: 'steady-tripod',
    calls: () =>
      goodNight(
        runWith({
          20: badFrame(20, 'drop', reason('shaken', 7, 2.5)),
          22: badFrame(22, 'drop', reason('shaken', 6, 2.5)),
        }),
      ),
    spares: () => goodNight(),
    says: ['2 frames are smeared'],
  },
  {
    id: 'start-later',
    calls: () =>
      goodNight(runWith({ 0: badFrame(0, 'doubt', reason('twilight', -14, -18), { sunAltitude: -14 }) })),
    spares: () =>
      goodNight(runWith({ 39: badFrame(39, 'doubt', reason('twilight', -14, -18), { sunAltitude: -14 }) })),
    says: ['1 frame'],
  },
  {
    id: 'end-earlier',
    calls: () =>
      goodNight(runWith({ 39: badFrame(39, 'doubt', reason('twilight', -14, -18), { sunAltitude: -14 }) })),
    spares: () =>
      goodNight(runWith({ 0: badFrame(0, 'doubt', reason('twilight', -14, -18), { sunAltitude: -14 }) })),
    says: ['before dawn', '1 frame'],
  },
  {
    id: 'no-camera-dark',
    calls: () => goodNight(goodRun(40, { inCameraDark: 'likely' })),
    spares: () => goodNight(),
    says: ['probably', '40 frames'],
  },
  {
    id: 'no-holes',
    calls: () =>
      goodNight(goodRun(40, { holes: [{ length: 60, after: 'TWK_0010.DNG', likelyCause: 'Battery.' }] })),
    // Less than two frames' time was lost.
    spares: () =>
      goodNight(goodRun(40, { holes: [{ length: 20, after: 'TWK_0010.DNG', likelyCause: 'Battery.' }] })),
    says: ['1 hole cost 1 min', '5 more frames'],
  },
  {
    id: 'guard-tripod',
    calls: () =>
      goodNight({
        ...goodRun(),
        frames: goodRun().frames.map((frame, n) =>
          n < 25 ? frame : { ...frame, segment: 1, headMotion: { x: 12, y: -16 } },
        ),
      }),
    // A slow drift of the head is no knock.
    spares: () =>
      goodNight({
        ...goodRun(),
        frames: goodRun().frames.map((frame, n) => ({ ...frame, headMotion: { x: n * 0.5, y: 0 } })),
      }),
    says: ['knocked once', '20 px'],
  },
  {
    id: 'away-from-lights',
    calls: () =>
      goodNight(
        runWith({
          20: badFrame(20, 'doubt', reason('glare', 2.4, 1.5)),
          21: badFrame(21, 'doubt', reason('glare', 1.6, 1.5)),
        }),
      ),
    spares: () => goodNight(runWith({ 20: badFrame(20, 'doubt', reason('glare', 2.4, 1.5)) })),
    says: ['2 frames'],
  },
  {
    id: 'stop-down',
    calls: () => every({ fwhmCorners: 4, fwhmMiddle: 2.5 }),
    spares: () => every({ fwhmCorners: 3.4, fwhmMiddle: 2.5 }),
    says: ['f/4', '4 px wide in the corners', '2.5 px in the middle', 'f/2.8'],
  },
  {
    id: 'shoot-darks',
    calls: () => ({ ...goodNight(), others: [] }),
    spares: () => goodNight(),
    says: ['17 deg C'],
  },
  {
    id: 'more-darks',
    calls: () => ({ ...goodNight(), others: [{ role: 'dark', frameCount: 4, settings: '10 s' }] }),
    spares: () => ({ ...goodNight(), others: [{ role: 'dark', frameCount: 8, settings: '10 s' }] }),
    // sqrt(1 + 1/4) - 1 = 11.8 %. @source P15
    says: ['4 darks', '12 %'],
  },
  {
    id: 'lower-iso',
    calls: () => every({ clippedShare: 0.004 }),
    spares: () => every({ clippedShare: 0.0019 }),
    says: ['ISO 1600', '0.4 %', 'ISO 3200'],
  },
  {
    id: 'more-frames',
    calls: () =>
      goodNight(
        goodRun(16, {
          stack: { ...goodStack, framesUsed: 16, noise: { singleFrame: 4, stack: 1, gain: 4, ideal: 4 } },
        }),
      ),
    spares: () => goodNight(),
    // 4 x sqrt(32 / 16) = 5.66.
    says: ['32 frames', '16 frames', '4 times', '5.7 times'],
  },
];

describe('nextTime', () => {
  it('has nothing to say of a night without fault', () => {
    expect(ids(goodNight())).toEqual([]);
  });

  for (const { id, calls, spares, says } of cases) {
    it(`advises ${id} when the night calls for it, with its numbers`, () => {
      const found = nextTime(calls()).find((advice) => advice.id === id);
      expect(found).toBeDefined();
      const words = `${found!.text} ${found!.because} ${found!.effect}`;
      for (const said of says) expect(words).toContain(said);
    });

    it(`keeps ${id} to itself when it does not`, () => {
      expect(ids(spares())).not.toContain(id);
    });
  }

  it('gives five pieces of advice at the most, each once', () => {
    const run = every(
      { trailLength: 6, clippedShare: 0.01, fwhmCorners: 6 },
      { inCameraDark: 'sure', holes: [{ length: 90, after: 'x', likelyCause: 'y' }] },
    );
    const worst = {
      ...run,
      others: [],
      runs: run.runs.map((one) => ({
        ...one,
        frames: one.frames.map((frame, n) =>
          n === 0 ? badFrame(0, 'drop', reason('shaken', 9, 2.5), frame) : frame,
        ),
      })),
    };
    const found = ids(worst);
    expect(found.length).toBe(5);
    expect(new Set(found).size).toBe(5);
    expect(found[0]).toBe('shorter-shutter');
  });

  it('says nothing without a run of lights', () => {
    expect(nextTime({ ...goodNight(), runs: [] })).toEqual([]);
  });
});
