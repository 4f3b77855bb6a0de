import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { readHeader, readPixels } from '../../src/frames/index.js';
import { type FrameForGrouping, glimpse, groupFrames } from '../../src/nights/index.js';
import { instantOfWallTime, nightOf } from '../../src/sky/index.js';
import { REAL } from '../support/shared.js';

const there = existsSync(`${REAL}/tripod-sequences`);
const ZONE = 'America/Santiago';

async function frameOf(folder: string, name: string, path: string): Promise<FrameForGrouping> {
  const bytes = new Uint8Array(readFileSync(`${REAL}/${folder}/${name}`));
  const header = await readHeader(bytes, name);
  const start =
    header.wallTime === undefined ? undefined : instantOfWallTime(header.wallTime, ZONE).getTime();
  return {
    id: `${folder}/${name}`,
    path,
    header,
    ...(start === undefined ? {} : { startMs: start }),
    glimpse: glimpse(await readPixels(bytes, name)),
  };
}

const framesOf = (folder: string, as: string): Promise<FrameForGrouping[]> =>
  Promise.all(readdirSync(`${REAL}/${folder}`).map((name) => frameOf(folder, name, `${as}/${name}`)));

const options = { nightOf: (ms: number) => nightOf(new Date(ms), ZONE) };

describe.skipIf(!there)(
  'groupFrames on real frames (skipped where the shared folder of real files is absent)',
  () => {
    it('gives the twelve runs that the times of the tripod sequences imply', {
      timeout: 180_000,
    }, async () => {
      const frames = await framesOf('tripod-sequences', 'card');
      const { sessions, roles } = groupFrames(frames, options);
      const start = new Map(frames.map((frame) => [frame.id, frame.startMs!]));
      // A run: each frame within 30 s of the one before it; three frames or more.
      const runs: string[][] = [];
      for (const frame of [...frames].sort((a, b) => a.startMs! - b.startMs!)) {
        const before = runs.at(-1)?.at(-1);
        if (before !== undefined && frame.startMs! - start.get(before)! <= 30_000)
          runs.at(-1)!.push(frame.id);
        else runs.push([frame.id]);
      }
      const expected = runs.filter((ids) => ids.length >= 3);
      expect(expected).toHaveLength(12);
      const found = sessions
        .flatMap(({ sequences }) => sequences)
        .filter(({ frameIds }) => frameIds.length >= 3);
      expect(found.map(({ frameIds }) => frameIds)).toEqual(expected);
      for (const sequence of found) {
        expect(sequence.role).toBe('light');
        expect(sequence.bracketed).toBe(true);
      }
      expect(roles.every(({ role }) => role === 'light' || role === 'test')).toBe(true);
    });

    it('takes real darks with hot pixels and amplifier glow for darks, by their pixels alone', {
      timeout: 180_000,
    }, async () => {
      // A folder name without any hint; headerless PNG.
      const { roles, sessions } = groupFrames(await framesOf('darks', 'heap'), options);
      for (const { id, role } of roles) expect(`${id} ${role}`).toBe(`${id} dark`);
      expect(sessions).toHaveLength(1);
      expect(sessions[0]!.night).toBe('');
    });

    it('takes frames of stars behind the same amplifier glow for lights, and keeps the darks beside them', {
      timeout: 180_000,
    }, async () => {
      const frames = [...(await framesOf('darks-sky', 'heap')), ...(await framesOf('darks', 'heap-2'))];
      const { roles } = groupFrames(frames, options);
      // Four of the folder are no star pictures: two of a capped lens, two of a lamp.
      const starless = /black|image_bloom|image_luminous/;
      for (const { id, role } of roles) {
        if (id.startsWith('darks/')) expect(`${id} ${role}`).toBe(`${id} dark`);
        else if (!starless.test(id)) expect(`${id} ${role}`).toBe(`${id} light`);
      }
    });
  },
);
