import { existsSync, readFileSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { type ExifFields, writeDng, writeJpeg } from '../../src/frames/index.js';
import {
  framesOf,
  loadGlimpse,
  openLibrary,
  toFrames,
  toSequence,
  toSession,
} from '../../src/library/index.js';
import { check } from '../../src/workflow/check.js';
import { importCard } from '../../src/workflow/import.js';
import { put, scratch, sha, treeOf, wallAt } from '../library/_card.js';
import { REAL } from '../support/shared.js';
import { contextOf } from './_fake-intake.js';

const [WIDTH, HEIGHT] = [240, 160];

const exif = (wallTime: string, more: ExifFields = {}): ExifFields => ({
  cameraMake: 'Skua',
  cameraModel: 'S7',
  lens: 'Skua 24 mm',
  exposureTime: 10,
  iso: 3200,
  fNumber: 2.8,
  focalLengthMm: 24,
  wallTime,
  ...more,
});

/** A small mosaic: noise on black, and for a light a sky with stars that turn a little from frame to frame. */
function dng(i: number, kind: 'light' | 'dark', fields: ExifFields): Uint8Array {
  const random = seededRandom(900 + i);
  const data = new Uint16Array(WIDTH * HEIGHT);
  const level = kind === 'light' ? 900 : 0;
  for (let p = 0; p < data.length; p++) data[p] = 512 + level + 60 * (random() + random() - 1);
  if (kind === 'light') {
    const where = seededRandom(7);
    for (let s = 0; s < 60; s++) {
      const [x, y] = [8 + where() * (WIDTH - 16) + 0.3 * i, 8 + where() * (HEIGHT - 16)];
      const peak = 1500 + 9000 * where() ** 3;
      for (let dy = -4; dy <= 4; dy++) {
        for (let dx = -4; dx <= 4; dx++) {
          const [px, py] = [Math.round(x) + dx, Math.round(y) + dy];
          if (px < 0 || py < 0 || px >= WIDTH || py >= HEIGHT) continue;
          data[py * WIDTH + px]! += peak * Math.exp(-((px - x) ** 2 + (py - y) ** 2) / 2.4);
        }
      }
    }
  }
  return writeDng({
    width: WIDTH,
    height: HEIGHT,
    data,
    cfa: { width: 2, height: 2, colors: [0, 1, 1, 2] },
    blackLevel: 512,
    whiteLevel: 16383,
    colorMatrix: [0.8, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6],
    asShotNeutral: [0.5, 1, 0.7],
    exif: fields,
  });
}

describe('importCard with the real readers, quick looks in threads and grouping', () => {
  it('sorts lights and darks, pairs RAW and JPEG over a number roll, and fills the contract records (P48, P52, C-DC-3)', async () => {
    const base = scratch();
    const card = join(base, 'card');
    const name = (i: number, extension: string) =>
      join(
        card,
        'DCIM',
        i < 4 ? '100SKUAX' : '101SKUAX',
        `SKU_${String(i < 4 ? 9996 + i : i - 3).padStart(4, '0')}.${extension}`,
      );
    for (let i = 0; i < 8; i++) {
      put(name(i, 'DNG'), dng(i, 'light', exif(wallAt(i))));
      const preview = { width: 60, height: 40, data: new Uint8Array(60 * 40 * 3).fill(20 + i) };
      put(name(i, 'JPG'), await writeJpeg({ ...preview, exif: exif(wallAt(i)) }));
    }
    for (let i = 8; i < 14; i++) put(name(i, 'DNG'), dng(i, 'dark', exif(wallAt(i + 5))));
    const cut = dng(20, 'light', exif(wallAt(8)));
    put(join(card, 'DCIM', '101SKUAX', 'SKU_0099.DNG'), cut.subarray(0, cut.length >> 1));
    const before = treeOf(card);
    const context = contextOf(join(base, 'library'), { workers: 2 });
    const result = await importCard(context, {
      card,
      site: 'Sandpiper Flat',
      at: { latitude: -31.25, longitude: 20.5 },
    });
    expect(treeOf(card)).toEqual(before);
    expect(result.import).toMatchObject({ found: 23, copied: 23, cardMayBeReused: true });
    expect(result.import.failed).toMatchObject([{ copied: true, code: 'TRUNCATED' }]);
    const lights = result.sequences.find(({ role }) => role === 'light')!;
    const darks = result.sequences.find(({ role }) => role === 'dark')!;
    expect(lights).toMatchObject({
      camera: 'Skua S7',
      lens: 'Skua 24 mm',
      iso: 3200,
      exposureTime: 10,
      fNumber: 2.8,
      cadence: 12,
    });
    expect(darks.frameCount).toBe(6);
    const library = openLibrary(join(base, 'library'), { mode: 'read' });
    const frames = framesOf(library, lights.id);
    expect(frames.filter(({ sound }) => sound)).toHaveLength(8);
    expect(
      frames
        .filter(({ sound }) => sound)
        .every(({ files }) => files.length === 2 && files[0]!.name.endsWith('.DNG')),
    ).toBe(true);
    const times = frames.map(({ takenMs }) => takenMs!);
    expect(times).toEqual([...times].sort((a, b) => a - b));
    const json = toFrames(library, lights, frames)[0]!;
    expect(json).toMatchObject({
      role: 'light',
      exposureTime: 10,
      iso: 3200,
      width: WIDTH,
      height: HEIGHT,
      verdict: 'none',
      reasons: [],
      takenAt: '2026-08-13T20:00:00.000Z',
    });
    expect(sha(readFileSync(json.file!))).toBe(json.sha256);
    expect(toSession(result.session!)).toEqual({
      id: '2026-08-13-sandpiper-flat',
      night: '2026-08-13',
      site: { name: 'Sandpiper Flat', latitude: -31.25, longitude: 20.5, zone: 'Africa/Johannesburg' },
    });
    expect(toSequence(lights)).toMatchObject({
      sessionId: '2026-08-13-sandpiper-flat',
      role: 'light',
      bracketed: false,
      start: '2026-08-13T20:00:00.000Z',
      focalLength: 24,
      kept: 0,
    });
    // Quick looks are kept for regrouping, and only a convenience: without them the frames are still sorted.
    const place = { folder: result.session!.folder, frameId: frames[0]!.id };
    expect(loadGlimpse(library, place)!.thumbnail.data.length).toBeGreaterThan(100);
    library.close();
    rmSync(join(base, 'library', ...result.session!.folder.split('/'), 'measure'), { recursive: true });
    const again = await importCard(context, { card });
    expect(again.import).toMatchObject({ copied: 0, alreadyInLibrary: 23 });
    expect(again.sequences.map(({ id, frameCount }) => [id, frameCount])).toEqual(
      result.sequences.map(({ id, frameCount }) => [id, frameCount]),
    );
    // A late frame makes the night be sorted again: the lost looks are taken anew, and darks stay darks.
    put(join(base, 'late', 'SKU_0100.DNG'), dng(9, 'light', exif(wallAt(9))));
    const late = await importCard(context, { card: join(base, 'late') });
    expect(late.sequences.map(({ role, frameCount }) => [role, frameCount]).sort()).toEqual([
      ['dark', 6],
      ['light', lights.frameCount + 1],
    ]);
    expect((await check(context)).sound).toBe(true);
  });

  it('takes real damaged and malformed files without a crash or a hang', { timeout: 300_000 }, async ({
    skip,
  }) => {
    if (!existsSync(REAL)) skip(`the folder of real files ${REAL} is not on this computer`);
    const base = scratch();
    const context = contextOf(join(base, 'library'));
    for (const folder of ['raw/cut', 'raw/malformed']) {
      const result = await importCard(context, { card: join(REAL, folder), zone: 'UTC' });
      expect(result.import.copied + result.import.alreadyInLibrary).toBe(result.import.found);
      expect(result.import.failed.every(({ copied, code }) => copied && code !== 'INTERNAL')).toBe(true);
    }
    expect(await check(context)).toMatchObject({ sound: true, unknown: [] });
  });
});
