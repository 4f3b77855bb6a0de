import { describe, expect, it } from 'vitest';
import { simulateNight, smallNight, type TrueStars } from '../support/synthetic-sky.js';

/** A night with nothing but stars down to a magnitude: black sky, no coma, no wings. */
const starsOnly = (faintest: number, exposureTime = 10) =>
  simulateNight(
    smallNight({
      exposureTime,
      focalLengthMm: 35,
      frames: 2,
      shape: { k1: 0, k2: 0 },
      sky: { brightness: 40, milkyWay: 0, faintest, sunAndMoon: false },
      lens: { wingShare: 0, coma: 0, cornerSigma: 0, vignetting: 0 },
    }),
  );

/** Light, middle and second moments in a square window of the green plane. */
function moments(plane: Float32Array, width: number, x: number, y: number, reach: number) {
  let sum = 0;
  let mx = 0;
  let my = 0;
  const x0 = Math.round(x);
  const y0 = Math.round(y);
  for (let j = y0 - reach; j <= y0 + reach; j++) {
    for (let i = x0 - reach; i <= x0 + reach; i++) {
      const v = plane[j * width + i]!;
      sum += v;
      mx += v * i;
      my += v * j;
    }
  }
  mx /= sum;
  my /= sum;
  let xx = 0;
  let yy = 0;
  let xy = 0;
  for (let j = y0 - reach; j <= y0 + reach; j++) {
    for (let i = x0 - reach; i <= x0 + reach; i++) {
      const v = plane[j * width + i]! / sum;
      xx += v * (i - mx) ** 2;
      yy += v * (j - my) ** 2;
      xy += v * (i - mx) * (j - my);
    }
  }
  return { sum, mx, my, xx, yy, xy };
}

/** Stars well inside with no neighbour near. */
function lonely(stars: TrueStars, width: number, height: number, apart: number): number[] {
  return Array.from({ length: stars.count }, (_, i) => i).filter((i) => {
    const x = stars.x[i]!;
    const y = stars.y[i]!;
    if (x < apart || y < apart || x > width - apart || y > height - apart) return false;
    for (let j = 0; j < stars.count; j++) {
      if (j !== i && Math.hypot(stars.x[j]! - x, stars.y[j]! - y) < 2 * apart) return false;
    }
    return true;
  });
}

describe('the light of stars', () => {
  it.each([10, 60])('lies where the truth says, with its flux and its trail, at %d s', (exposureTime) => {
    const night = starsOnly(7, exposureTime);
    const frame = night.frames[0]!;
    const { width, height } = night.scenario.camera;
    const plane = frame.noiseFree().data.subarray(width * height, 2 * width * height);
    const stars = frame.stars(1);
    const alone = lonely(stars, width, height, 14);
    expect(alone.length).toBeGreaterThan(10);
    for (const i of alone) {
      const m = moments(plane, width, stars.x[i]!, stars.y[i]!, 12);
      // 0.01 px: spots are integrated over pixels; what is left is the arc's curvature and the table's steps.
      expect(Math.hypot(m.mx - stars.x[i]!, m.my - stars.y[i]!)).toBeLessThan(0.01);
      // 0.2 %: the tails beyond 3.6 sigma are cut (0.03 %), the window takes in all else.
      expect(Math.abs(m.sum / stars.flux[i]! - 1)).toBeLessThan(0.002);
      const angle = (stars.angle[i]! * Math.PI) / 180;
      const c = Math.cos(angle);
      const s = Math.sin(angle);
      const along = m.xx * c * c + m.yy * s * s + 2 * m.xy * c * s;
      const across = m.xx * s * s + m.yy * c * c - 2 * m.xy * c * s;
      // 0.02 px^2: variance of the core plus the pixel's own 1/12, against a core of 0.74.
      expect(Math.abs(across - stars.sigma[i]! ** 2 - 1 / 12)).toBeLessThan(0.02);
      // 3 % of the variance of a line, L^2/12, or 0.02 px^2 for the shortest.
      const line = stars.trail[i]! ** 2 / 12;
      expect(Math.abs(along - across - line)).toBeLessThan(Math.max(0.02, 0.03 * line));
    }
  });

  it('trails as the formula 15.041 cos(dec) t / scale says (P01)', () => {
    const night = starsOnly(6, 30);
    const { scenario } = night;
    const stars = night.frames[0]!.stars(1);
    const scale = (206.265 * scenario.camera.pixelPitchUm) / 35;
    const longest = (15.041 * 30) / scale;
    // The field is at the core, declination -29 +- 9: between cos(38) and cos(20), and 2 % for the gnomonic stretch.
    for (let i = 0; i < stars.count; i++) {
      expect(stars.trail[i]! / longest).toBeGreaterThan(Math.cos((38 * Math.PI) / 180));
      expect(stars.trail[i]! / longest).toBeLessThan(Math.cos((20 * Math.PI) / 180) * 1.03);
    }
    expect(stars.count).toBeGreaterThan(5);
  });

  it('is dimmed by cloud to the mean transparency of the plan', () => {
    const options = { focalLengthMm: 14, sky: { faintest: 8 } } as const;
    const clear = simulateNight(smallNight(options));
    const clouded = simulateNight(
      smallNight({
        ...options,
        happenings: [{ kind: 'cloud', from: 0, transparency: [0.8, 0.5], patchiness: 0.5 }],
      }),
    );
    for (const [index, wanted] of [
      [0, 0.8],
      [1, 0.5],
    ] as const) {
      const a = clear.frames[index]!.stars(5);
      const b = clouded.frames[index]!.stars(0.01);
      let share = 0;
      for (let i = 0; i < a.count; i++) share += b.flux[b.row.indexOf(a.row[i]!)]! / a.flux[i]! / a.count;
      // 0.05: the plan is the mean over the area, this is the mean over some hundred stars.
      expect(Math.abs(share - wanted)).toBeLessThan(0.05);
    }
  });

  it('keeps its colour: a red star gives more red than a blue one', () => {
    const night = starsOnly(7);
    const { width, height } = night.scenario.camera;
    const size = width * height;
    const image = night.frames[0]!.noiseFree().data;
    const stars = night.frames[0]!.stars(1);
    const ratios = Array.from({ length: stars.count }, (_, i) => {
      const k = Math.round(stars.y[i]!) * width + Math.round(stars.x[i]!);
      return image[k]! / image[2 * size + k]!;
    });
    // Stars of B-V -0.2 and 1.6 differ in raw red over blue by a factor of about 6; 2 is a safe lower bound.
    expect(Math.max(...ratios) / Math.min(...ratios)).toBeGreaterThan(2);
  });
});

describe('the land', () => {
  const land = { kind: 'mountains', skyline: 8, trees: 4, mastOffset: 2 } as const;
  const options = { aim: { azimuth: 200, altitude: 13 }, sky: { faintest: 7 } } as const;
  const withLand = simulateNight(smallNight({ ...options, land }));
  const without = simulateNight(smallNight(options));
  const { width, height } = withLand.scenario.camera;

  it('covers exactly the pixels of the true mask', () => {
    const mask = withLand.frames[0]!.landMask().data;
    const a = withLand.frames[0]!.noiseFree().data.subarray(width * height);
    const b = without.frames[0]!.noiseFree().data.subarray(width * height);
    const share = mask.reduce((sum, value) => sum + value, 0) / mask.length;
    expect(share).toBeGreaterThan(0.1);
    expect(share).toBeLessThan(0.9);
    let wrong = 0;
    for (let y = 1; y < height - 1; y++) {
      for (let x = 1; x < width - 1; x++) {
        const k = y * width + x;
        const around = [k, k - 1, k + 1, k - width, k + width].map((at) => mask[at]!);
        const differs = Math.abs(a[k]! - b[k]!) > 1e-3 * b[k]!;
        // Pixels of the edge are part land, part sky: only those with like neighbours decide.
        if (around.every((value) => value === 1) && !differs) wrong++;
        if (around.every((value) => value === 0) && a[k]! < 0.5 * b[k]!) wrong++;
      }
    }
    expect(wrong).toBe(0);
  });

  it('stays put while the sky turns, and moves with the head after a knock (P30)', () => {
    const knocked = simulateNight(
      smallNight({
        ...options,
        land,
        happenings: [{ kind: 'knock', at: 4, move: { x: 9, y: -6, rotation: 0 } }],
      }),
    );
    const before = knocked.frames[3]!.landMask().data;
    expect(
      Buffer.from(withLand.frames[7]!.landMask().data).equals(
        Buffer.from(withLand.frames[0]!.landMask().data),
      ),
    ).toBe(true);
    const after = knocked.frames[4]!.landMask().data;
    let same = 0;
    let total = 0;
    for (let y = 20; y < height - 20; y++) {
      for (let x = 20; x < width - 20; x++) {
        total++;
        if (after[(y - 6) * width + x + 9] === before[y * width + x]) same++;
      }
    }
    // 99.5 %: the shift is exact at the middle of the frame only, half a pixel of skyline is lost or won elsewhere.
    expect(same / total).toBeGreaterThan(0.995);
  });

  it('has texture of its own', () => {
    const mask = withLand.frames[0]!.landMask().data;
    const plane = withLand.frames[0]!.noiseFree().data.subarray(width * height, 2 * width * height);
    const values = Array.from(plane).filter((_, k) => mask[k] === 1);
    const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
    const spread = Math.sqrt(values.reduce((sum, value) => sum + (value - mean) ** 2, 0) / values.length);
    // Contrast above 15 %: what a photographer would call detail.
    expect(spread / mean).toBeGreaterThan(0.15);
  });
});
