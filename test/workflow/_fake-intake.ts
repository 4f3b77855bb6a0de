import { readFileSync } from 'node:fs';
import type { FrameHeader, Role } from '../../src/core/index.js';
import type { FrameForGrouping, FrameGlimpse, Grouping } from '../../src/nights/index.js';
import { instantOfWallTime, nightOf } from '../../src/sky/index.js';
import type { IntakeTools } from '../../src/workflow/_intake-tools.js';
import type { WorkflowContext } from '../../src/workflow/context.js';
import type { Look } from '../../src/workflow/glimpse-worker.js';

const glimpse: FrameGlimpse = {
  median: 0.01,
  mean: 0.012,
  high: 0.2,
  scatter: 0.001,
  clippedShare: 0,
  unevenness: 0.3,
  starCount: 40,
  thumbnail: { width: 4, height: 3, data: new Float32Array(12).fill(0.01) },
  peaks: new Float32Array([10, 20, 30, 40]),
  sharpness: 2.5,
};

function lookAt(path: string): Look {
  const bytes = readFileSync(path);
  const failure = (message: string) => ({ class: 'FormatError', code: 'CORRUPT', message, details: {} });
  if (bytes.toString('latin1', 0, 4) !== 'FAKE') return { failure: failure('not a frame') };
  const { damage, role, ...said } = JSON.parse(bytes.toString('utf8', 4, bytes.indexOf(10)));
  if (damage === 'header') return { failure: failure('no header') };
  const header: FrameHeader = {
    format: 'dng',
    formatName: 'DNG',
    warnings: [],
    ...said,
    ...(role ? { statedRole: role } : {}),
  };
  return damage === 'pixels' ? { header, failure: failure('no pixels') } : { header, glimpse };
}

/** Runs of equal role and settings, by time; good enough to test what surrounds the real grouping. */
function group(frames: readonly FrameForGrouping[], { zone }: { zone: string }): Grouping {
  const ordered = [...frames].sort((a, b) => (a.startMs ?? 0) - (b.startMs ?? 0) || (a.id < b.id ? -1 : 1));
  const roleOf = (frame: FrameForGrouping): Role => frame.chosenRole ?? frame.header.statedRole ?? 'light';
  const key = (frame: FrameForGrouping) =>
    [roleOf(frame), frame.header.camera, frame.header.exposureTime, frame.header.iso].join();
  const nights = new Map<string, FrameForGrouping[][]>();
  for (const frame of ordered) {
    const night = nightOf(new Date(frame.startMs ?? 0), zone);
    const runs = nights.get(night) ?? [];
    nights.set(night, runs);
    const last = runs.findLast((run) => key(run[0]!) === key(frame));
    if (last) last.push(frame);
    else runs.push([frame]);
  }
  return {
    roles: frames.map((frame) => ({ id: frame.id, role: roleOf(frame), reason: 'said so' })),
    sessions: [...nights].map(([night, runs]) => ({
      night,
      sequences: runs.map((run) => ({
        frameIds: run.map(({ id }) => id),
        role: roleOf(run[0]!),
        bracketed: false,
        segmentStarts: [],
        cadence: 12,
        holes: [],
        notes: [],
      })),
    })),
  };
}

const stem = (path: string) => path.replace(/\.[^.]*$/, '').toLowerCase();

/** Intake over the make-believe frames of `test/library/_card.ts`, without threads. */
export const fakeTools: IntakeTools = {
  isFrameName: (name) => /\.(dng|jpg|nef)$/i.test(name),
  look: async (_context, files) => files.map(({ path }) => lookAt(path)),
  pair(files) {
    const groups = new Map<string, number[]>();
    for (const [i, file] of files.entries()) {
      const key = `${stem(file.path).split('/').at(-1)} ${file.header.wallTime}`;
      groups.set(
        key,
        [...(groups.get(key) ?? []), i].sort((a, b) => (files[a]!.path < files[b]!.path ? -1 : 1)),
      );
    }
    return [...groups.values()];
  },
  group,
  instant: (header, { zone, clockOffset }) =>
    header.wallTime === undefined
      ? undefined
      : instantOfWallTime(header.wallTime, zone).getTime() + 1000 * clockOffset,
};

/** A context over a library folder, in the middle of the day after the night. */
export const contextOf = (libraryDir: string, extra: Partial<WorkflowContext> = {}): WorkflowContext => ({
  libraryDir,
  progress: () => {},
  clock: () => new Date(Date.UTC(2026, 7, 14, 12)),
  ...extra,
});
