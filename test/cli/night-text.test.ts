import { basename, join } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { nightText } from '../../src/cli/_night-text.js';
import { seededRandom } from '../../src/core/index.js';
import { type FrameForGrouping, groupFrames } from '../../src/nights/index.js';
import { nightOf } from '../../src/sky/index.js';
import { importCard } from '../../src/workflow/import.js';
import { type SessionView, show } from '../../src/workflow/show.js';
import { frameBytes, put, scratch } from '../library/_card.js';
import { type RunOfFrames, run } from '../nights/_frames.js';
import { makeSky, type Pointing, seeDark, seeSky, type View } from '../nights/_sky-model.js';
import { contextOf, fakeTools } from '../workflow/_fake-intake.js';

// One night with all that the timeline has to tell, sorted by the real grouping from quick looks made here.
const START = Date.parse('2026-06-14T18:00:00Z');
const SIZE = { width: 6000, height: 4000 };
const SOUTH: Pointing = { azimuth: 180, altitude: 25, roll: 0 };
const sky = makeSky(5, -31);
const random = seededRandom(17);

function shots(
  options: Partial<RunOfFrames> & {
    readonly minute: number;
    readonly change?: (i: number) => Partial<View>;
    readonly holes?: Readonly<Record<number, number>>;
  },
): FrameForGrouping[] {
  const { minute, every = 16, holes = {} } = options;
  let late = 0;
  const frames = run({
    name: 'A',
    count: 12,
    start: new Date(START + 60_000 * minute).toISOString(),
    folder: 'DCIM/100HARRW',
    ...options,
    glimpse:
      options.glimpse ??
      ((i) =>
        seeSky(
          sky,
          {
            ...{ pointing: SOUTH, ...SIZE, focalPx: 4000, seconds: 60 * minute + i * every },
            ...{ level: 0.03, clear: 1, starSize: 2.5, land: 0.2 },
            ...options.change?.(i),
          },
          random,
        )),
  });
  return frames.map((frame, i) => {
    late += holes[i] ?? 0;
    return { ...frame, startMs: frame.startMs! + 1000 * late };
  });
}

const NIGHT: FrameForGrouping[] = [
  // A focus sweep, best in the fourth frame.
  ...shots({ minute: 0, count: 7, every: 20, change: (i) => ({ starSize: 2.6 + 1.1 * Math.abs(i - 3) }) }),
  // The run: one shot skipped, a long hole, a file missing from the card, the focus slipped in the end.
  ...shots({
    ...{ minute: 4, count: 44, firstNumber: 10, holes: { 8: 16, 17: 130 } },
    change: (i) => (i < 34 ? {} : { starSize: 5 }),
  }).filter((_, i) => i !== 25),
  // The zoom crept.
  ...shots({ minute: 18.4, count: 10, firstNumber: 60, change: () => ({ starSize: 5, focalPx: 4160 }) }),
  // Land of the same framing, longer and at a lower ISO.
  ...shots({
    ...{ minute: 28, count: 3, firstNumber: 70, every: 125, exposureTime: 120, iso: 800 },
    change: () => ({ clear: 0, level: 0.06, focalPx: 4160 }),
  }),
  // With the camera's own darks.
  ...shots({ minute: 36, count: 8, firstNumber: 80, every: 41, exposureTime: 20, iso: 1600 }),
  ...shots({ minute: 44, count: 8, firstNumber: 90, glimpse: () => seeDark(SIZE, 4e-4, random) }),
];

let view: SessionView;
let text: string;

beforeAll(async () => {
  const base = scratch.lasting();
  const byName = new Map<string, FrameForGrouping>();
  for (const [i, frame] of NIGHT.entries()) {
    byName.set(basename(frame.path), frame);
    put(join(base, 'card', frame.path), frameBytes({ camera: 'Harrow H2' }, i));
  }
  const tools: typeof fakeTools = {
    ...fakeTools,
    isFrameName: () => true,
    look: async (_context, files) =>
      files.map(({ name }) => {
        const { header, glimpse, startMs } = byName.get(name)!;
        const wallTime = new Date(startMs!).toISOString().slice(0, 19);
        return { header: { ...header, wallTime }, ...(glimpse ? { glimpse } : {}) };
      }),
    pair: (files) => files.map((_, i) => [i]),
    group: (frames, { zone }) => groupFrames(frames, { nightOf: (ms) => nightOf(new Date(ms), zone) }),
  };
  const context = contextOf(join(base, 'library'));
  await importCard(context, { card: join(base, 'card'), zone: 'UTC', site: 'Far Hill' }, tools);
  const found = show(context, 'latest');
  if (found.kind !== 'session') throw new Error('no session');
  view = found.view;
  text = nightText(view);
});

/** The lines that stand below the row of a run. */
function below(run: string): string {
  const lines = text.split('\n');
  const from = lines.findIndex((line) => line.startsWith(`${run} `));
  const to = lines.findIndex((line, i) => i > from && !line.startsWith(' '));
  return lines.slice(from + 1, to).join('\n');
}

describe('nightText', () => {
  it('has one row for each run, in order of time, with the words of the trade', () => {
    const rows = text.split('\n').filter((line) => /^\/\d {2}/.test(line));
    expect(
      rows.map((row) =>
        row
          .split(/\s{2,}/)
          .slice(0, 5)
          .join(' '),
      ),
    ).toEqual([
      '/1 18:00 18:02 tests 7',
      '/2 18:04 18:15 lights 33',
      '/3 18:15 18:18 lights 10',
      '/4 18:18 18:21 lights 10',
      '/5 18:28 18:34 lights 3',
      '/6 18:36 18:41 lights 8',
      '/7 18:44 18:46 darks 8',
    ]);
  });

  it('names the best frame of a focus sweep', () => {
    expect(below('/1')).toContain('A focus sweep of 7 frames; the sharpest is IMG_0004.RAW.');
  });

  it('says when a hole began, how long it was and what likely made it (P20, P21)', () => {
    const holes = below('/2').split('\n');
    expect(holes[0]).toMatch(/18:05, after IMG_0017.RAW: a hole of 16 s, the camera skipped shots/);
    expect(holes[1]).toMatch(/18:08, after IMG_0026.RAW: a hole of 2 min, .*battery.*without a jump/);
    expect(holes[2]).toMatch(/18:12, after IMG_0034.RAW: a hole of 16 s, 1 file number is missing/);
    expect(view.sequences[1]!.holes).toHaveLength(3);
  });

  it('says why a run was split where focus or zoom moved (P08, P27, P29)', () => {
    expect(below('/3')).toContain('The focus changed here for good.');
    expect(below('/4')).toContain('The zoom or focus ring moved');
  });

  it("points out land frames for another run's foreground (P10)", () => {
    expect(below('/5')).toMatch(/run from IMG_0060.RAW with the same framing: land frames for it/);
  });

  it('says that the camera took darks of its own, as far as that is sure (P17)', () => {
    expect(below('/6')).toContain('the camera probably took a dark of its own after each one');
    expect(view.sequences[5]!.inCameraDark).toBe('likely');
  });

  it('says which darks fit and why others do not, once for all runs that share it (P13, P59)', () => {
    expect(below('/5')).toContain('darks of /7 will not be used: their ISO is 3200, that of the lights 800');
    const shared = text.split('\n').filter((line) => line.includes('The 8 darks of /7 fit'));
    expect(shared).toHaveLength(1);
    expect(shared[0]).toMatch(/^\/2, \/3 and \/4: /);
    expect(view.sequences[1]!.masters).toMatchObject([{ kind: 'dark', sequenceId: view.sequences[6]!.id }]);
  });
});
