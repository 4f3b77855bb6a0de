import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { type AlignFrame, alignSequence } from '../../src/alignment/index.js';
import type { FramePixels } from '../../src/core/index.js';
import { readHeader, readPixels } from '../../src/frames/index.js';
import { detectionPlane, measureFrame } from '../../src/stars/index.js';

const REAL = new URL('../../../shared/real/', import.meta.url);
const have = existsSync(REAL);
const note = have ? '' : ' (skipped: the folder of real files, ../shared/real, is not here)';

interface RealFrame extends AlignFrame {
  readonly seconds: number | undefined;
  readonly width: number;
  readonly height: number;
}

function tableOf(pixels: FramePixels) {
  const plane = detectionPlane(pixels);
  const { stars } = measureFrame(plane, {
    saturation: pixels.whiteLevel[1] * 0.98,
    quantization: pixels.quantization,
  });
  return stars;
}

async function load(path: string): Promise<RealFrame> {
  const bytes = new Uint8Array(readFileSync(new URL(path, REAL)));
  const header = await readHeader(bytes, path);
  const pixels = await readPixels(bytes, path);
  const seconds =
    header.wallTime === undefined
      ? undefined
      : Date.parse(`${header.wallTime}Z`) / 1000 + (header.subSecond ?? 0);
  return {
    id: path,
    stars: tableOf(pixels),
    seconds,
    width: pixels.width,
    height: pixels.height,
    ...(seconds === undefined ? {} : { time: seconds + (header.exposureTime ?? 0) / 2 }),
    ...(header.exposureTime === undefined ? {} : { exposureTime: header.exposureTime }),
  };
}

describe.skipIf(!have)(`alignSequence on real frames${note}`, () => {
  it('aligns every tripod run of three frames and more below 0.35 px rms', async () => {
    const names = readdirSync(new URL('tripod-sequences/', REAL)).sort();
    const frames = await Promise.all(names.map((name) => load(`tripod-sequences/${name}`)));
    frames.sort((a, b) => (a.seconds ?? 0) - (b.seconds ?? 0));
    const runs: RealFrame[][] = [];
    for (const frame of frames) {
      const last = runs.at(-1)?.at(-1);
      if (last && (frame.seconds ?? 0) - (last.seconds ?? 0) < 30) runs.at(-1)!.push(frame);
      else runs.push([frame]);
    }
    const long = runs.filter((run) => run.length >= 3);
    expect(long.length).toBeGreaterThanOrEqual(12);
    const lines: string[] = [];
    let good = 0;
    for (const run of long) {
      const { width, height } = run[0]!;
      const result = alignSequence(run, { width, height });
      const fitted = result.frames.filter((fit) => fit.status === 'fitted').length;
      const ok = fitted === run.length && result.rms < 0.35;
      if (ok) good++;
      lines.push(
        `${run[0]!.id} ${run.length} ${run.map((f) => f.stars.count).join('/')} ${result.method} ${fitted} ${result.rms.toFixed(3)}`,
      );
    }
    expect(good, lines.join('\n')).toBe(long.length);
  });

  it('aligns the pairs of one framing at two shutters', async () => {
    for (const names of [
      ['polar_05sec.jpg', 'polar_30sec.jpg'],
      ['pleyades_05sec.jpg', 'pleyades_8sec.jpg'],
    ]) {
      const pair = await Promise.all(names.map((name) => load(`horizon-pairs/${name}`)));
      const { width, height } = pair[0]!;
      const result = alignSequence(pair, { width, height });
      expect(result.frames.every((fit) => fit.status === 'fitted')).toBe(true);
      expect(result.rms, names.join()).toBeLessThan(0.35); // px: the bound of the runs; centroid noise of JPEG
    }
  });

  it('refuses frames 71 minutes apart with the reason, or aligns them with motion', async () => {
    const names = readdirSync(new URL('turning-sky-fits/', REAL)).sort();
    const frames = await Promise.all(names.map((name) => load(`turning-sky-fits/${name}`)));
    const { width, height } = frames[0]!;
    const result = alignSequence(frames, { width, height });
    if (result.method === 'none') expect(result.notes[0]!.length).toBeGreaterThan(10);
    else {
      // The sky turned by 18 deg from frame to frame: whatever aligns must have moved.
      const moved = result.frames.filter(
        (fit) => fit.status === 'fitted' && Math.abs(fit.offset.rotation) > 1,
      );
      expect(moved.length).toBeGreaterThan(0);
      expect(result.rms).toBeLessThan(1); // px: undersampled all-sky frames
    }
  });
});
