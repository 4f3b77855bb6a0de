import type { Reason } from '../../src/core/index.js';
import type { ReportData, ReportFrame, ReportRun, ReportStack } from '../../src/report/index.js';
import { planFacts } from '../../src/sky/index.js';

const START = Date.parse('2026-08-12T20:00:00Z');
const CADENCE = 12;

export const site = {
  name: 'Sandpiper Flat',
  latitude: -30.62,
  longitude: 25.13,
  zone: 'Africa/Johannesburg',
};

/** A light without fault, the n-th of its run. */
export function goodFrame(n: number, more: Partial<ReportFrame> = {}): ReportFrame {
  return {
    id: `frame${String(n).padStart(3, '0')}`,
    name: `TWK_${String(n + 1).padStart(4, '0')}.DNG`,
    takenAt: new Date(START + n * CADENCE * 1000).toISOString(),
    verdict: 'keep',
    byPerson: false,
    reasons: [],
    remarks: [],
    exposureTime: 10,
    starCount: 1300 + n,
    fwhm: 2.6,
    fwhmRatio: 1,
    fwhmMiddle: 2.5,
    fwhmCorners: 2.9,
    trailLength: 1.2,
    predictedTrail: 1.1,
    transparency: 0.99,
    skyRate: 13.25,
    temperature: 17,
    sunAltitude: -52.4,
    moonAltitude: -31.7,
    targetAltitude: 61.3 - n * 0.04,
    segment: 0,
    clippedShare: 0.00004,
    width: 1500,
    height: 1000,
    headMotion: { x: 0, y: 0 },
    streaks: [],
    ...more,
  };
}

/** A frame judged for one reason. */
export const badFrame = (
  n: number,
  verdict: 'doubt' | 'drop',
  reason: Reason,
  more: Partial<ReportFrame> = {},
): ReportFrame => goodFrame(n, { verdict, reasons: [reason], ...more });

export const goodStack: ReportStack = {
  method: 'clipped-mean',
  framesUsed: 40,
  totalExposure: 400,
  noise: { singleFrame: 3.4, stack: 0.55, gain: 6.18, ideal: 6.25 },
  mastersUsed: ['a master of 12 darks'],
  rejectedShare: 0.0031,
  files: {},
  notes: [],
};

export function goodRun(count = 40, more: Partial<ReportRun> = {}): ReportRun {
  return {
    sequenceId: '2026-08-12-sandpiper-flat/2',
    settings: '24 mm, f/2.8, 10 s, ISO 3200',
    camera: 'Tarnwick T3',
    lens: 'Aldermoor 24mm F2.8',
    exposureTime: 10,
    iso: 3200,
    fNumber: 2.8,
    focalLengthMm: 24,
    start: new Date(START).toISOString(),
    end: new Date(START + (count - 1) * CADENCE * 1000 + 10_000).toISOString(),
    cadence: CADENCE,
    holes: [],
    notes: [],
    remarks: [],
    frames: Array.from({ length: count }, (_, n) => goodFrame(n)),
    transients: [],
    alignment: {
      method: 'sky-motion',
      rms: 0.174,
      cornerRms: 0.188,
      matchedFrames: count,
      residuals: { columns: 2, rows: 2, values: [0.12, 0.21, null, 0.18] },
      segmentCount: 1,
      notes: [],
    },
    stack: goodStack,
    ...more,
  };
}

const plan = {
  site,
  night: '2026-08-12',
  target: 'core',
  focalLengthMm: 24,
  pixelPitchUm: 15,
  imageWidth: 1500,
  imageHeight: 1000,
  fNumber: 2.8,
  iso: 3200,
  shutter: 10,
  frames: 40,
};

let facts: ReturnType<typeof planFacts> | undefined;
/** What the sky did that night, worked out once. */
export const nightFacts = (): ReturnType<typeof planFacts> => {
  facts ??= planFacts(plan);
  return facts;
};

/** A night without fault that went as planned. */
export function goodNight(run: ReportRun = goodRun(), more: Partial<ReportData> = {}): ReportData {
  return {
    session: { id: '2026-08-12-sandpiper-flat', night: '2026-08-12', site },
    madeAt: '2026-08-13T09:00:00.000Z',
    toolVersion: '0.1.0',
    plan: {
      id: 'p1',
      siteName: site.name,
      focalLengthMm: 24,
      fNumber: 2.8,
      iso: 3200,
      exposureTime: 10,
      frames: 40,
      target: 'core',
      facts: nightFacts(),
    },
    facts: nightFacts(),
    runs: [run],
    others: [{ role: 'dark', frameCount: 12, settings: '10 s, ISO 3200' }],
    unreadable: [],
    remarks: [],
    notes: '',
    ...more,
  };
}

/** A good run with some frames put in the place of others, by number. */
export const runWith = (
  changes: Readonly<Record<number, ReportFrame>>,
  more: Partial<ReportRun> = {},
): ReportRun => {
  const run = goodRun(40, more);
  return { ...run, frames: run.frames.map((frame, n) => changes[n] ?? frame) };
};

/** A night where about everything went wrong once. */
export function badNight(): ReportData {
  const cloud = (n: number, value: number) =>
    badFrame(
      n,
      value < 0.72 ? 'drop' : 'doubt',
      {
        code: 'cloud',
        value,
        limit: value < 0.72 ? 0.72 : 0.93,
        text: `Cloud: ${Math.round(100 * value)} % came through.`,
      },
      { transparency: value },
    );
  const changes: Record<number, ReportFrame> = {
    5: goodFrame(5, { streaks: [{ x1: 60, y1: 905, x2: 1057, y2: 1, width: 4, brightness: 150 }] }),
    9: cloud(9, 0.88),
    10: cloud(10, 0.55),
    11: cloud(11, 0.8),
    15: badFrame(
      15,
      'drop',
      { code: 'shaken', value: 7.3, limit: 2.6, text: 'Smeared by 7.3 px.' },
      { trailLength: 8.4 },
    ),
    20: badFrame(20, 'doubt', {
      code: 'glare',
      value: 2.4,
      limit: 1.5,
      text: 'The land is 2.4 times as bright.',
    }),
    24: badFrame(
      24,
      'doubt',
      { code: 'soft', value: 1.34, limit: 1.2, text: 'Stars are 34 % wider.' },
      { fwhm: 3.5, fwhmRatio: 1.34 },
    ),
  };
  const run = runWith(changes);
  return goodNight(
    {
      ...run,
      frames: run.frames.map((frame, n) =>
        n >= 30 ? { ...frame, segment: 1, headMotion: { x: 12, y: -16 } } : frame,
      ),
      holes: [{ length: 24, after: 'TWK_0035.DNG', likelyCause: 'The camera was switched off.' }],
      defectCount: 515,
      notes: ['File numbers began again.'],
      remarks: ['A remark.'],
      transients: [
        {
          frameId: 'frame005',
          name: 'TWK_0006.DNG',
          takenAt: goodFrame(5).takenAt!,
          kind: 'aircraft',
          length: 1346.2,
          why: 'It blinks: 9 flashes at even distances.',
        },
      ],
    },
    {
      others: [
        {
          role: 'test',
          frameCount: 3,
          settings: '2 s, ISO 6400',
          start: '2026-08-12T19:40:00.000Z',
          note: 'A focus sweep.',
        },
        { role: 'dark', frameCount: 4, settings: '10 s, ISO 3200' },
      ],
      unreadable: [{ name: 'TWK_0044.DNG', code: 'TRUNCATED', message: 'The file ends at byte 1110462.' }],
      remarks: ['The clock was set right by 3600 s.'],
      notes: 'Cold, and a fox came by.',
      sky: {
        at: '2026-08-12T20:04:00.000Z',
        stars: [
          [0.1, 0.2, 1.1],
          [-0.5, 0.3, 3.2],
        ],
        arch: [
          [
            [0, -1],
            [0.1, 0],
            [0, 1],
          ],
        ],
        target: { name: 'galactic center', place: [0.12, 0.31] },
      },
    },
  );
}
