import { existsSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import sharp from 'sharp';
import { describe, expect, it } from 'vitest';
import { Cancelled, InputError } from '../../src/core/index.js';
import {
  findSession,
  framesOf,
  openLibrary,
  saveAlignment,
  saveMeasurements,
  saveStack,
  sequencesOf,
  setNotes,
  stacksOf,
} from '../../src/library/index.js';
import { turned, turnedPlace } from '../../src/workflow/_report-turn.js';
import { runFolder } from '../../src/workflow/_run-folder.js';
import { importCard } from '../../src/workflow/import.js';
import { newPlan } from '../../src/workflow/plan.js';
import { writeReport } from '../../src/workflow/report.js';
import { frameBytes, makeCard, put, scratch, wallAt } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const place = { site: 'Sandpiper Flat', at: { latitude: -31.25, longitude: 20.5 } };

/** A library with one measured and stacked night of 8 lights and 2 darks, two frames judged down. */
async function measuredNight(): Promise<string> {
  const base = scratch();
  const [card, dir] = [join(base, 'card'), join(base, 'library')];
  makeCard(card, 8);
  for (let i = 0; i < 2; i++) {
    const dark = { wallTime: wallAt(20 + i), exposureTime: 10, iso: 3200, camera: 'Skua 7', role: 'dark' };
    put(join(card, 'DCIM', '100NIGHT', `NGT_10${i}0.DNG`), frameBytes(dark, 90 + i));
  }
  const context = contextOf(dir);
  const { plan } = await newPlan(context, {
    ...place,
    night: '2026-08-13',
    focalLengthMm: 24,
    shutter: 10,
    frames: 12,
    target: 'core',
  });
  await importCard(context, { card, ...place, planId: plan.id }, fakeTools);
  const library = openLibrary(dir, { mode: 'write' });
  try {
    const session = findSession(library, 'latest');
    const sequence = sequencesOf(library, session.id).find(({ role }) => role === 'light')!;
    const folder = runFolder(dir, session, sequence);
    mkdirSync(folder.dir, { recursive: true });
    const frames = framesOf(library, sequence.id);
    const grey = await sharp({ create: { width: 300, height: 200, channels: 3, background: '#334455' } })
      .jpeg()
      .toBuffer();
    for (const frame of frames) writeFileSync(folder.preview(frame.id), grey);
    saveMeasurements(
      library,
      frames.map((frame, i) => ({
        frameId: frame.id,
        verdict: i === 3 ? 'drop' : i === 4 ? 'doubt' : 'keep',
        reasons:
          i === 3 || i === 4
            ? [
                {
                  code: 'cloud',
                  value: i === 3 ? 0.41 : 0.87,
                  limit: i === 3 ? 0.72 : 0.93,
                  text: `Cloud, ${i}.`,
                },
              ]
            : [],
        starCount: 700 + i,
        fwhm: 2.5 + i / 100,
        trailLength: 1.25,
        predictedTrail: 1.125,
        transparency: i === 3 ? 0.41 : i === 4 ? 0.87 : 0.98,
        background: 130,
        segment: i < 6 ? 0 : 1,
        extra: { clippedShare: 0.0001, headMotion: i < 6 ? { x: 0, y: 0 } : { x: 9, y: 12 }, streaks: [] },
      })),
    );
    saveAlignment(library, sequence.id, {
      method: 'sky-motion',
      rms: 0.21,
      cornerRms: 0.34,
      matchedFrames: 8,
      remarks: [],
      notes: [],
      segmentCount: 2,
      zones: [],
    });
    const stack = `nights/${session.folder.split('/')[1]}/stacks/run-1-abc`;
    const picture = join(dir, stack, 'picture.jpg');
    mkdirSync(dirname(picture), { recursive: true });
    writeFileSync(
      picture,
      await sharp(grey)
        .withExif({ IFD3: { GPSLatitude: '31/1 15/1 0/1' } })
        .toBuffer(),
    );
    saveStack(library, {
      sequenceId: sequence.id,
      folder: stack,
      method: 'clipped-mean',
      framesUsed: 7,
      totalExposure: 70,
      body: {
        noise: { singleFrame: 3, stack: 1.2, gain: 2.5, ideal: 2.6 },
        files: { pictureJpeg: `${stack}/picture.jpg` },
        mastersUsed: ['a master of 2 darks'],
        notes: [],
        rejectedShare: 0.004,
      },
    });
    setNotes(library, { kind: 'session', id: session.id }, 'A <b>windy</b> night.');
  } finally {
    library.close();
  }
  return dir;
}

const quick = { closeUps: 0 } as const;

describe('writeReport', () => {
  it('writes page, twin and small pictures, and every number is the catalogue’s', async () => {
    const dir = await measuredNight();
    const { path, data, told, session } = await writeReport(contextOf(dir), 'latest', quick);
    expect(path).toBe(join(dir, 'nights', '2026-08-13 sandpiper-flat', 'report', 'index.html'));
    const twin = JSON.parse(readFileSync(join(dirname(path), 'session.json'), 'utf8'));
    expect(twin).toEqual(JSON.parse(JSON.stringify({ ...data, told, asked: { private: false } })));
    const library = openLibrary(dir, { mode: 'read' });
    try {
      const sequence = sequencesOf(library, session.id).find(({ role }) => role === 'light')!;
      const run = data.runs[0]!;
      expect(run.frames).toHaveLength(8);
      framesOf(library, sequence.id).forEach((frame, i) => {
        const shown = run.frames[i]!;
        const { measurement } = frame;
        expect(shown).toMatchObject({
          id: frame.id,
          name: frame.files[0]!.name,
          verdict: measurement!.verdict,
          fwhm: measurement!.fwhm,
          starCount: measurement!.starCount,
          trailLength: measurement!.trailLength,
          predictedTrail: measurement!.predictedTrail,
          transparency: measurement!.transparency,
          // 130 ADU in 10 s.
          skyRate: 13,
        });
        expect(Date.parse(shown.takenAt!)).toBe(frame.takenMs);
      });
      const stack = stacksOf(library, sequence.id)[0]!;
      expect(run.stack).toMatchObject({
        framesUsed: stack.framesUsed,
        totalExposure: stack.totalExposure,
        noise: stack.body.noise,
        rejectedShare: 0.004,
      });
    } finally {
      library.close();
    }
    expect(told.tally).toEqual({ lights: 8, kept: 6, doubtful: 1, dropped: 1 });
    // A knock of 9 and 12 px is one of 15 px.
    expect(told.events[0]!.join(' ')).toContain('view moved by 15 px');
    expect(data.others).toMatchObject([{ role: 'dark', frameCount: 2 }]);
    expect(data.plan?.frames).toBe(12);
    const page = readFileSync(path, 'utf8');
    expect(page).toContain('A &lt;b&gt;windy&lt;/b&gt; night.');
    for (const [, src] of page.matchAll(/<img[^>]* src="([^"]+)"/g)) {
      expect(existsSync(join(dirname(path), src!))).toBe(true);
    }
    for (const [, href] of page.matchAll(/<a href="([^"#]+)"/g)) {
      expect(existsSync(join(dirname(path), decodeURIComponent(href!)))).toBe(true);
    }
  });

  it('carries sun, moon and target for each frame where the place is known', async () => {
    const dir = await measuredNight();
    const { data } = await writeReport(contextOf(dir), 'latest', quick);
    for (const frame of data.runs[0]!.frames) {
      // 2026-08-13 20:00 UTC at 31 S, 20 E: deep night, a day after new moon, the core near the zenith.
      expect(frame.sunAltitude).toBeLessThan(-18);
      expect(frame.moonAltitude).toBeLessThan(0);
      expect(frame.targetAltitude).toBeGreaterThan(60);
    }
    expect(data.facts?.darkness.hours).toBeGreaterThan(9);
    expect(data.sky?.target?.name).toBe('galactic center');
  });

  it('gives the same pictures again and takes away those of an earlier report', async () => {
    const dir = await measuredNight();
    const { path } = await writeReport(contextOf(dir), 'latest', quick);
    const images = join(dirname(path), 'images');
    const first = readdirSync(images).sort();
    const page = readFileSync(path, 'utf8');
    writeFileSync(join(images, 'old.jpg'), 'old');
    await writeReport(contextOf(dir), 'latest', quick);
    expect(readdirSync(images).sort()).toEqual(first);
    expect(readFileSync(path, 'utf8')).toBe(page);
    expect(readdirSync(dirname(path)).filter((name) => name.endsWith('.part'))).toEqual([]);
  });

  it('leaves the last report whole when it is stopped', async () => {
    const dir = await measuredNight();
    const { path } = await writeReport(contextOf(dir), 'latest', quick);
    const page = readFileSync(path, 'utf8');
    const controller = new AbortController();
    const stopped = contextOf(dir, { signal: controller.signal, progress: () => controller.abort() });
    await expect(writeReport(stopped, 'latest', quick)).rejects.toBeInstanceOf(Cancelled);
    expect(readFileSync(path, 'utf8')).toBe(page);
    for (const [, src] of page.matchAll(/<img[^>]* src="([^"]+)"/g)) {
      expect(existsSync(join(dirname(path), src!))).toBe(true);
    }
  });

  it('leaves out the place with private, on the page, in the twin and in the pictures', async () => {
    const dir = await measuredNight();
    const { path } = await writeReport(contextOf(dir), 'latest', { ...quick, private: true });
    for (const file of ['index.html', 'session.json']) {
      const text = readFileSync(join(dirname(path), file), 'utf8');
      expect(text).not.toMatch(/sandpiper/i);
      expect(text).not.toMatch(/latitude|Place:|-31\.25/);
      expect(text).not.toContain('windy');
    }
    for (const name of readdirSync(join(dirname(path), 'images'))) {
      const { exif } = await sharp(join(dirname(path), 'images', name)).metadata();
      expect(exif).toBeUndefined();
    }
  });

  it('sets another session beside it', async () => {
    const dir = await measuredNight();
    const { told, path } = await writeReport(contextOf(dir), 'latest', { ...quick, with: '2026-08-13' });
    // The same night twice: no line differs, and the stack's numbers are there.
    expect(told.compare?.lines.every(({ here, there }) => here === there)).toBe(true);
    expect(told.compare?.lines).toContainEqual({
      what: 'Exposure in the stack',
      here: '70 s',
      there: '70 s',
    });
    expect(readFileSync(path, 'utf8')).toContain('Two nights side by side');
  });

  it('refuses an unknown session in one sentence', async () => {
    const dir = await measuredNight();
    await expect(writeReport(contextOf(dir), '1999-01-01', quick)).rejects.toThrow(InputError);
    await expect(writeReport(contextOf(dir), 'latest', { ...quick, with: 'nothing' })).rejects.toMatchObject({
      code: 'UNKNOWN_ID',
    });
  });

  it('goes on without previews, picture and originals, and passes over frames that cannot be opened', async () => {
    const dir = await measuredNight();
    const night = join(dir, 'nights', '2026-08-13 sandpiper-flat');
    for (const folder of ['measure/run-1', 'stacks/run-1-abc']) {
      for (const name of readdirSync(join(night, folder)))
        writeFileSync(join(night, folder, name), 'no picture');
    }
    const { data, path } = await writeReport(contextOf(dir, { workers: 1 }), 'latest', { closeUps: 2 });
    expect(
      data.runs[0]!.frames.every((frame) => frame.thumbnail === undefined && frame.stars === undefined),
    ).toBe(true);
    expect(data.runs[0]!.stack?.picture).toBeUndefined();
    expect(readFileSync(path, 'utf8')).toContain('no picture');
  });
});

describe('turned', () => {
  it('turns a picture as its EXIF orientation asks, for all eight (L09)', async () => {
    // 3 x 2 px, every pixel another grey.
    const raw = { width: 3, height: 2, channels: 1 } as const;
    const pixels = Uint8Array.from([10, 50, 90, 130, 170, 210]);
    for (let orientation = 1; orientation <= 8; orientation++) {
      const tagged = await sharp(pixels, { raw }).withMetadata({ orientation }).png().toBuffer();
      const expected = await sharp(tagged)
        .autoOrient()
        .extractChannel(0)
        .raw()
        .toBuffer({ resolveWithObject: true });
      const plain = await sharp(pixels, { raw }).png().toBuffer();
      const got = await turned(sharp(plain), orientation)
        .extractChannel(0)
        .raw()
        .toBuffer({ resolveWithObject: true });
      expect([got.info.width, got.info.height, ...got.data]).toEqual([
        expected.info.width,
        expected.info.height,
        ...expected.data,
      ]);
      // The place of the brightest pixel (2, 1) goes where the pixel goes.
      const at = [...got.data].indexOf(210);
      const seen = [
        (2 * (at % got.info.width) + 1) / got.info.width - 1,
        (2 * Math.floor(at / got.info.width) + 1) / got.info.height - 1,
      ];
      const [x, y] = turnedPlace([2 / 3, 1 / 2], orientation);
      expect(Math.sign(x)).toBe(Math.sign(seen[0]!) || Math.sign(x));
      expect(x).toBeCloseTo(seen[0]!, 9);
      expect(y).toBeCloseTo(seen[1]!, 9);
    }
  });
});
