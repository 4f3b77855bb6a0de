import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  type ColorImage,
  gaussian,
  makeColorImage,
  makePlane,
  seededRandom,
  srgbDecode,
  srgbEncode,
} from '../../src/core/index.js';
import {
  applyStretch,
  cropToCoverage,
  finishPicture,
  fitSkyGradient,
  fitStretch,
  gradientAt,
  joinSurvey,
  LOOKS,
  linearSrgbToOklab,
  oklabToLinearSrgb,
  orientRgb,
  type Rect,
  surveyedRows,
  surveyPlan,
  surveyRow,
  toMap,
} from '../../src/finishing/index.js';

const golden = JSON.parse(readFileSync(new URL('../golden/finishing-color.json', import.meta.url), 'utf8'));
const LOOK = LOOKS['still-night']!;
const WHITE: readonly [number, number, number] = [15000, 15000, 15000];

/** A sky of known gradient and band, ADU: what the finish must take off and must keep. */
function scene(options: { noise?: number; land?: boolean } = {}) {
  const width = 480;
  const height = 320;
  const random = seededRandom(7);
  const image = makeColorImage(width, height);
  const landShare = makePlane(width, height);
  const truth = { gradient: makeColorImage(width, height), band: makePlane(width, height) };
  const tint = [0.9, 1.15, 0.8];
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const at = y * width + x;
      const u = (2 * x) / width - 1;
      const v = (2 * y) / height - 1;
      // The band runs from corner to corner and is as wide as a sixth of the frame.
      const band = 160 * Math.exp(-(((u + 0.6 * v) / 0.25) ** 2));
      truth.band.data[at] = band;
      const isLand = options.land === true && y > height * 0.8;
      landShare.data[at] = isLand ? 1 : 0;
      for (let c = 0; c < 3; c++) {
        const gradient = tint[c]! * (500 + 60 * u - 40 * v + 35 * v * v);
        truth.gradient.data[c * width * height + at] = gradient;
        image.data[c * width * height + at] =
          (isLand ? 60 : gradient + band) + (options.noise ?? 0) * gaussian(random);
      }
    }
  }
  return { image, landShare, truth };
}

/** The survey of a picture without land. */
function surveyOf(image: ColorImage, rect: Rect) {
  const plan = surveyPlan(rect, { whiteLevel: WHITE });
  const { width, height } = image;
  const rows = Array.from({ length: plan.rows }, (_, row) => {
    const { top, rows: count } = surveyedRows(plan, row);
    const data = new Float32Array(3 * count * width);
    for (let c = 0; c < 3; c++)
      data.set(
        image.data.subarray((c * height + top) * width, (c * height + top + count) * width),
        c * count * width,
      );
    return surveyRow(plan, { top, rows: count, width, data }, { width, height });
  });
  return joinSurvey(plan, rows);
}

describe('srgbEncode, srgbDecode', () => {
  it('give the standard values (C-SR rows)', () => {
    for (const [linear, signal] of golden.encode) expect(srgbEncode(linear)).toBeCloseTo(signal, 6); // printed to 7 digits
    for (const [code, linear] of golden.decode8)
      expect(Math.abs(srgbDecode(code / 255) - linear)).toBeLessThan(1e-7); // the row's own tolerance
  });
});

describe('linearSrgbToOklab', () => {
  it('gives the published values of white and the primaries and comes back', () => {
    for (const { rgb, lab } of golden.oklab) {
      const found = linearSrgbToOklab(rgb[0], rgb[1], rgb[2]);
      found.forEach((value, i) => {
        expect(Math.abs(value - lab[i])).toBeLessThan(2e-4); // matrices are published to 10 digits, values to 6
      });
      oklabToLinearSrgb(...found).forEach((value, i) => {
        expect(Math.abs(value - rgb[i])).toBeLessThan(1e-6); // the two published matrices invert each other to 1e-7
      });
    }
  });
});

describe('applyStretch', () => {
  it('follows asinh (Lupton et al. 2004, eq. 2) and ends at 0 and 1', () => {
    const stretch = { black: 100, white: 1100, beta: 50 };
    expect(applyStretch(stretch, 100)).toBe(0);
    expect(applyStretch(stretch, 1100)).toBeCloseTo(1, 12); // exact but for rounding
    expect(applyStretch(stretch, 300)).toBeCloseTo(
      Math.log(10 + Math.sqrt(101)) / Math.log(50 + Math.sqrt(2501)),
      12,
    ); // asinh written out
  });

  it('never makes a brighter value darker', () => {
    fc.assert(
      fc.property(
        fc.double({ min: 0, max: 2e4, noNaN: true }),
        fc.double({ min: 0, max: 2e4, noNaN: true }),
        (a, b) => {
          const stretch = fitStretch({ sky: 500, band: 700, noise: 10, white: 15000 }, LOOK);
          const [low, high] = a < b ? [a, b] : [b, a];
          return applyStretch(stretch, low) <= applyStretch(stretch, high);
        },
      ),
    );
  });

  it('puts the blank sky at the level the look asks for', () => {
    const stretch = fitStretch({ sky: 500, band: 700, noise: 5, white: 15000 }, LOOK);
    expect(srgbEncode(applyStretch(stretch, 500))).toBeCloseTo(LOOK.skyLevel, 3); // bisection to 60 bits
  });
});

describe('fitSkyGradient', () => {
  it('finds the gradient to 2 % of sky and leaves the band its contrast within 5 % (P41, P43)', () => {
    const { image, truth } = scene({ noise: 8 });
    const rect = { x: 0, y: 0, width: image.width, height: image.height };
    const gradient = fitSkyGradient(surveyOf(image, rect));
    const size = image.width * image.height;
    for (let color = 0; color < 3; color++) {
      let low = Number.POSITIVE_INFINITY;
      let high = Number.NEGATIVE_INFINITY;
      for (let y = 4; y < image.height; y += 8) {
        for (let x = 4; x < image.width; x += 8) {
          const error =
            gradientAt(gradient, color, x, y) - truth.gradient.data[color * size + y * image.width + x]!;
          low = Math.min(low, error);
          high = Math.max(high, error);
        }
      }
      // Peak to peak over the frame; the sky is 500 ADU times the tint.
      expect(high - low).toBeLessThan(0.02 * 500 * 2); // +-2 % of sky
    }
  });
});

describe('finishPicture', () => {
  it('makes the background grey within 1 % and keeps it dark but not black', () => {
    const { image } = scene({ noise: 4 });
    const picture = finishPicture({ image, whiteLevel: WHITE }, { ...LOOK, smoothing: 0 });
    const sums = [0, 0, 0];
    let n = 0;
    for (let y = 10; y < 60; y++) {
      for (let x = 10; x < 60; x++) {
        for (let c = 0; c < 3; c++) sums[c]! += picture.data[(y * picture.width + x) * 3 + c]! / 65535;
        n++;
      }
    }
    const level = sums.map((sum) => sum / n);
    const grey = (level[0]! + level[1]! + level[2]!) / 3;
    for (const value of level) expect(Math.abs(value - grey)).toBeLessThan(0.01); // 1 % of full scale
    expect(grey).toBeGreaterThan(0.08);
    expect(grey).toBeLessThan(0.2);
    expect(picture.clippedShare).toBeLessThan(0.001);
  });

  it('keeps the colour of the sky on request and takes it off by as much as is asked, never for good (P40)', () => {
    const { image } = scene({ noise: 4 });
    const before = image.data.slice();
    /** Red, green and blue of the blank sky as shown, 0..1. */
    const tint = (neutralize: number) => {
      const picture = finishPicture(
        { image, whiteLevel: WHITE },
        { ...LOOK, smoothing: 0, gradient: 0, saturation: 1, neutralize },
      );
      const sums = [0, 0, 0];
      for (let y = 10; y < 60; y++)
        for (let x = 10; x < 60; x++)
          for (let c = 0; c < 3; c++) sums[c]! += picture.data[(y * picture.width + x) * 3 + c]! / 65535;
      return sums.map((sum) => sum / 2500);
    };
    const [kept, half, none] = [tint(0), tint(0.5), tint(1)];
    const off = (sky: readonly number[]) => Math.max(...sky) - Math.min(...sky);
    expect(off(kept)).toBeGreaterThan(0.03); // the scene's own tint
    expect(off(none)).toBeLessThan(0.02); // 1 % of full scale either way, as above
    expect(off(half)).toBeLessThan(off(kept));
    expect(off(half)).toBeGreaterThan(off(none));
    expect(image.data).toEqual(before);
  });

  it('keeps the hue of a star through the stretch within 3 degrees', () => {
    const { image } = scene();
    const size = image.width * image.height;
    const star = [2400, 1500, 900];
    const at = 60 * image.width + 420;
    const tint = [0, 1, 2].map((c) => image.data[c * size + at]!);
    for (let c = 0; c < 3; c++) image.data[c * size + at] = tint[c]! + star[c]!;
    const picture = finishPicture({ image, whiteLevel: WHITE }, { ...LOOK, smoothing: 0, saturation: 1 });
    const place = (60 - picture.crop.y) * picture.width + 420 - picture.crop.x;
    const shown = [0, 1, 2].map((c) => srgbDecode(picture.data[place * 3 + c]! / 65535));
    const hue = (rgb: readonly number[]) => {
      const [, a, b] = linearSrgbToOklab(rgb[0]!, rgb[1]!, rgb[2]!);
      return (Math.atan2(b, a) * 180) / Math.PI;
    };
    expect(Math.abs(hue(shown) - hue(star.map((v) => v / 5000)))).toBeLessThan(3); // the issue's own bound; sky below the star tints it
  });

  it('shows clipped stars white, not magenta (L06)', () => {
    const { image } = scene();
    const size = image.width * image.height;
    const at = 100 * image.width + 300;
    for (let c = 0; c < 3; c++) image.data[c * size + at] = WHITE[c]!;
    const picture = finishPicture(
      {
        image,
        whiteLevel: WHITE,
        color: { multipliers: [2.1, 1, 1.6], cameraToSrgb: [1.7, -0.6, -0.1, -0.2, 1.5, -0.3, 0, -0.5, 1.5] },
      },
      LOOK,
    );
    const place = ((100 - picture.crop.y) * picture.width + 300 - picture.crop.x) * 3;
    const shown = [picture.data[place]!, picture.data[place + 1]!, picture.data[place + 2]!];
    expect(Math.min(...shown)).toBeGreaterThan(0.97 * 65535); // within 3 % of white in every colour
  });

  it('lets dark land show without changing the sky', () => {
    const { image, landShare } = scene({ noise: 3, land: true });
    const picture = finishPicture({ image, landShare, whiteLevel: WHITE }, LOOK);
    const level = (y: number) => {
      let sum = 0;
      for (let x = 0; x < picture.width; x++) sum += picture.data[(y * picture.width + x) * 3 + 1]! / 65535;
      return sum / picture.width;
    };
    expect(level(picture.height - 10)).toBeGreaterThan(0.05);
    expect(level(picture.height - 10)).toBeLessThan(0.2);
  });

  it('does not touch the stack it was given', () => {
    const { image } = scene({ noise: 3 });
    const before = Float32Array.from(image.data);
    finishPicture({ image, whiteLevel: WHITE }, LOOK);
    expect(image.data).toEqual(before);
  });

  it('never shows a brighter pixel of the same hue darker', () => {
    const ramp: ColorImage = makeColorImage(400, 300);
    for (let i = 0; i < 400 * 300; i++) {
      const value = 400 + (i % 400) * 20;
      ramp.data[i] = value * 0.8;
      ramp.data[120000 + i] = value;
      ramp.data[240000 + i] = value * 0.9;
    }
    const picture = finishPicture({ image: ramp, whiteLevel: WHITE }, { ...LOOK, gradient: 0, smoothing: 0 });
    for (let x = 1; x < picture.width; x++) {
      const sum = (at: number) =>
        picture.data[at * 3]! + picture.data[at * 3 + 1]! + picture.data[at * 3 + 2]!;
      expect(sum(x)).toBeGreaterThanOrEqual(sum(x - 1) - 3); // rounding of three 16-bit values
    }
  });
});

describe('orientRgb', () => {
  it('turns as the eight EXIF orientations say (CIPA DC-008, tag 0x0112)', () => {
    // A 2 x 1 picture: A left, B right.
    const stored = Uint16Array.from([1, 1, 1, 2, 2, 2]);
    const first = (orientation: number) => orientRgb(stored, 2, 1, orientation)[0];
    expect([1, 2, 3, 4, 5, 6, 7, 8].map(first)).toEqual([1, 2, 2, 1, 1, 1, 2, 2]);
  });

  it('gives back the picture after four quarter turns', () => {
    const data = Uint16Array.from({ length: 3 * 6 }, (_, i) => i);
    let turned: Uint16Array = data;
    let [w, h] = [3, 2];
    for (let i = 0; i < 4; i++) {
      turned = orientRgb(turned, w, h, 6);
      [w, h] = [h, w];
    }
    expect(turned).toEqual(data);
  });
});

describe('cropToCoverage', () => {
  it('cuts thin edges and ignores land', () => {
    const coverage = makePlane(100, 80, 10);
    for (let y = 0; y < 80; y++) for (let x = 0; x < 12; x++) coverage.data[y * 100 + x] = 2;
    const size = { width: 100, height: 80, coverage: toMap(coverage, 10) };
    const rect = cropToCoverage(size, 0.5);
    expect(rect).toEqual({ x: 12, y: 0, width: 88, height: 80 });
    expect(cropToCoverage({ ...size, land: new Uint8Array(8000).fill(255) }, 0.5).x).toBe(0);
  });
});
