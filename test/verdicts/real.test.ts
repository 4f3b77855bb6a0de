import { existsSync, readdirSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { alignSequence, predictedPositions } from '../../src/alignment/index.js';
import { detectionPlane, measureFrame } from '../../src/stars/index.js';
import { type JudgeFrame, judgeRun, weighStars } from '../../src/verdicts/index.js';
import { loadPixels } from '../../src/workflow/_pixels.js';
import { REAL } from '../support/shared.js';

/** Judges real files as one run, with exposures where their names tell them. */
async function judgeFiles(files: readonly { readonly path: string; readonly exposureTime?: number }[]) {
  const looked = await Promise.all(
    files.map(async ({ path }) => {
      const pixels = await loadPixels(`${REAL}/${path}`);
      const plane = detectionPlane(pixels);
      const options = { saturation: pixels.whiteLevel[1], quantization: pixels.quantization, maxStars: 800 };
      return { plane, saturation: options.saturation, measurement: measureFrame(plane, options) };
    }),
  );
  const { width, height } = looked[0]!.plane;
  const alignment = alignSequence(
    looked.map(({ measurement }, i) => ({ id: files[i]!.path, stars: measurement.stars })),
    { width, height, seed: 1 },
  );
  const { trackCount } = alignment;
  const flux = new Float32Array(files.length * trackCount).fill(Number.NaN);
  const xs = new Float32Array(flux.length).fill(Number.NaN);
  const ys = new Float32Array(flux.length).fill(Number.NaN);
  looked.forEach(({ plane, measurement, saturation }, i) => {
    if (alignment.frames[i]!.status !== 'fitted') return;
    const { x, y } = predictedPositions(alignment, i);
    flux.set(weighStars(plane, { x, y }, { fwhm: measurement.fwhm, saturation }), i * trackCount);
    xs.set(x, i * trackCount);
    ys.set(y, i * trackCount);
  });
  const frames: JudgeFrame[] = looked.map(({ measurement }, i) => ({
    id: files[i]!.path,
    measurement,
    ...(files[i]!.exposureTime === undefined ? {} : { exposureTime: files[i]!.exposureTime }),
  }));
  return judgeRun({ frames, alignment, photometry: { trackCount, flux, x: xs, y: ys } });
}

describe.skipIf(!existsSync(REAL))(
  'verdicts on real files (skipped: the folder ../shared/real is absent)',
  () => {
    it('cloud-fits: the clouded sky is dropped, for too few stars', async () => {
      const { frames } = await judgeFiles([
        { path: 'cloud-fits/starry.fits' },
        { path: 'cloud-fits/starry.fits' },
        { path: 'cloud-fits/cloudy.fits' },
      ]);
      expect(frames.map((frame) => frame.verdict)).toEqual(['keep', 'keep', 'drop']);
    });

    const pair = (short: [string, number], long: [string, number]) =>
      judgeFiles(
        [short, long].map(([path, exposureTime]) => ({ path: `horizon-pairs/${path}`, exposureTime })),
      );

    it('horizon-pairs: 8 s trail longer than 5 s', async () => {
      const { frames } = await pair(['pleyades_05sec.jpg', 5], ['pleyades_8sec.jpg', 8]);
      expect(frames[1]!.trailLength!).toBeGreaterThan(frames[0]!.trailLength!);
    });

    it('starfields-tiff: the frame with the streak is kept and the streak listed (P35)', async () => {
      const name = readdirSync(`${REAL}/starfields-tiff`).find((file) => file.includes('Alt60_Azi-135'))!;
      const { frames } = await judgeFiles([{ path: `starfields-tiff/${name}` }]);
      expect(frames[0]!.verdict).toBe('keep');
      expect(frames[0]!.remarks.join(' ')).toMatch(/straight line of light/);
    });
  },
);
