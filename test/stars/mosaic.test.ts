import { describe, expect, it } from 'vitest';
import { DataError, type FramePixels, seededRandom } from '../../src/core/index.js';
import { defectsOfDark, defectsOfRun, detectionPlane, measureFrame } from '../../src/stars/index.js';
import { BAYER, placeStars, rawFrame, renderStars, SIX } from './_field.js';
import { nearestStar } from './_match.js';

const SIZE = { width: 900, height: 640 };
const SKY = [300, 600, 400] as const;

function withHotPixels(raw: FramePixels, count: number, seed: number): Set<number> {
  const random = seededRandom(seed);
  const hot = new Set<number>();
  while (hot.size < count) {
    const i = Math.floor(random() * raw.data.length);
    if (hot.has(i)) continue;
    raw.data[i]! += 200 + 2000 * random();
    hot.add(i);
  }
  return hot;
}

describe('detectionPlane', () => {
  for (const [name, cfa] of [
    ['2x2', BAYER],
    ['6x6', SIX],
  ] as const) {
    for (const sigma of [0.6, 1.2]) {
      it(`${name}, sigma ${sigma} px: stars complete and well placed, hot pixels gone (L60, L68, P12)`, () => {
        const random = seededRandom(3);
        const truth = placeStars(random, 420, {
          ...SIZE,
          apart: 24,
          border: 14,
          flux: (r) => 500 / (0.02 + r()),
        });
        const raw = rawFrame(renderStars(truth, { ...SIZE, sigma }), {
          cfa,
          sky: SKY,
          gain: 2,
          readNoise: 4,
          seed: 9,
        });
        const hot = withHotPixels(raw, 200, 4);
        const given = raw.data.slice();
        const measured = measureFrame(detectionPlane(raw), { saturation: 15_000, quantization: 1, gain: 2 });
        expect(raw.data.every((value, i) => value === given[i])).toBe(true); // exact: the frame itself is not repaired
        const { stars } = measured;
        const squares = { middle: [] as number[], bright: [] as number[] };
        const used = new Set<number>();
        let clear = 0;
        let found = 0;
        for (const star of truth) {
          // Stated rule: a star with a planted defect within 2 px has no truth to be measured against.
          let spoiled = false;
          for (let dy = -2; dy <= 2; dy++)
            for (let dx = -2; dx <= 2; dx++)
              if (hot.has((Math.round(star.y) + dy) * SIZE.width + Math.round(star.x) + dx)) spoiled = true;
          const row = nearestStar(stars, star.x, star.y, 2);
          if (row >= 0) used.add(row);
          if (spoiled) continue;
          // Signal-to-noise with every second pixel green.
          const snr = star.flux / Math.sqrt(2 * (SKY[1] / 2 + 16) * 4 * Math.PI * (sigma ** 2 + 1 / 12));
          if (snr > 10) {
            clear++;
            if (row >= 0) found++;
          }
          if (row < 0) continue;
          const error = ((stars.x[row]! - star.x) ** 2 + (stars.y[row]! - star.y) ** 2) / 2;
          if (stars.snr[row]! > 100) squares.bright.push(error);
          else if (stars.snr[row]! > 25 && stars.snr[row]! < 50) squares.middle.push(error);
        }
        const rms = (list: number[]): number => Math.sqrt(list.reduce((a, b) => a + b, 0) / list.length);
        expect(found / clear).toBeGreaterThanOrEqual(0.98); // the issue's own bound
        let wrong = 0;
        for (let i = 0; i < stars.count; i++) if (!used.has(i) && stars.snr[i]! > 10) wrong++;
        expect(wrong / stars.count).toBeLessThanOrEqual(0.01); // the issue's own bound
        // px an axis: the issue's own bounds, which are for ordinary sampling; a fwhm of 1.6 px behind 6x6
        // is sharper than its green pixels lie: there 0.1.
        expect(rms(squares.middle)).toBeLessThan(cfa === SIX && sigma < 1 ? 0.1 : 0.06);
        expect(rms(squares.bright)).toBeLessThan(0.035);
        const width = 2.354_82 * Math.sqrt(sigma ** 2 + 1 / 12);
        expect(Math.abs(measured.fwhm / width - 1)).toBeLessThan(0.03); // the issue's own bound
      });
    }
  }

  it('repairs the defects it is given and leaves the rest of a mono frame', () => {
    const data = new Float32Array(400).fill(100);
    data[210] = 5000;
    const plane = detectionPlane(
      {
        kind: 'mono',
        width: 20,
        height: 20,
        data,
        blackLevel: [0],
        whiteLevel: [6e4, 6e4, 6e4],
        quantization: 1,
        decoder: '',
        warnings: [],
      },
      Uint32Array.of(210),
    );
    expect(Array.from(plane.data)).toEqual(new Array(400).fill(100)); // exact: median of equal neighbours
    expect(data[210]).toBe(5000); // exact: not modified
  });

  it('weighs a colour frame to its luminance', () => {
    const data = Float32Array.from([4, 4, 8, 8, 16, 16]);
    const plane = detectionPlane({
      kind: 'color',
      width: 2,
      height: 1,
      data,
      blackLevel: [0],
      whiteLevel: [9, 9, 9],
      quantization: 1,
      decoder: '',
      warnings: [],
    });
    expect(Array.from(plane.data)).toEqual([9, 9]); // exact: (4 + 2 * 8 + 16) / 4
  });
});

describe('defectsOfRun', () => {
  it('finds at least 90 % of hot pixels and no star while the sky moves (P12, P16, L68)', () => {
    const random = seededRandom(8);
    const size = { width: 600, height: 420 };
    const truth = placeStars(random, 250, { ...size, apart: 4, border: 5, flux: (r) => 300 / (0.02 + r()) });
    const hot = new Map<number, number>();
    for (let k = 0; k < 150; k++)
      hot.set(Math.floor(random() * size.width * size.height), 200 + 1500 * random());
    const collector = defectsOfRun();
    for (let k = 0; k < 5; k++) {
      const light = renderStars(
        truth.map((s) => ({ ...s, x: s.x + 2 * k })),
        { ...size, sigma: 0.7 },
      );
      const raw = rawFrame(light, {
        cfa: BAYER,
        sky: [250, 500, 330],
        gain: 1.6,
        readNoise: 5,
        seed: 300 + k,
      });
      for (const [i, excess] of hot) raw.data[i]! += excess;
      collector.accumulate(raw);
    }
    const found = collector.finish();
    const hits = Array.from(found).filter((i) => hot.has(i)).length;
    expect(hits / hot.size).toBeGreaterThan(0.9); // 390 of 400 in the prototype; 5 % may lie beside a star or another
    expect(found.length - hits).toBe(0); // exact: no star is a defect
    expect(Array.from(found)).toEqual(Array.from(found).sort((a, b) => a - b)); // exact: sorted
  });

  it('says which frame does not belong', () => {
    const collector = defectsOfRun();
    const frame = (width: number): FramePixels => ({
      kind: 'mosaic',
      width,
      height: 10,
      data: new Float32Array(width * 10),
      cfa: BAYER,
      blackLevel: [0],
      whiteLevel: [1, 1, 1],
      quantization: 1,
      decoder: '',
      warnings: [],
    });
    collector.accumulate(frame(12));
    expect(() => collector.accumulate(frame(14))).toThrowError(DataError);
    expect(() => collector.accumulate(frame(14))).toThrowError(/12 x 10/);
    expect(collector.finish().length).toBe(0); // exact: fewer than 3 frames
  });
});

describe('defectsOfDark', () => {
  it('finds single pixels and clusters of a master dark', () => {
    const random = seededRandom(2);
    const data = new Float32Array(100 * 80);
    for (let i = 0; i < data.length; i++) data[i] = 100 + 3 * (random() + random() + random() - 1.5) * 2;
    for (const i of [3045, 3047, 5050]) data[i] = 400;
    data[4020] = 20;
    expect(Array.from(defectsOfDark({ width: 100, height: 80, data }, BAYER))).toEqual([
      3045, 3047, 4020, 5050,
    ]); // exact: planted
  });
});
