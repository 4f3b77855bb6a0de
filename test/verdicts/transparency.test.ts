import { describe, expect, it } from 'vitest';
import type { Alignment } from '../../src/alignment/index.js';
import { gaussian, seededRandom } from '../../src/core/index.js';
import {
  findDewOnset,
  measureTransparency,
  tensorTrail,
  trailTensor,
  zenithInCamera,
} from '../../src/verdicts/index.js';
import { madeRun } from './_made-run.js';

const WIDTH = 1500;
const HEIGHT = 1000;

/** A run of stars drifting over the frame behind a lens with falloff, under given transparency by place. */
function run(options: {
  frames: number;
  clear: (frame: number, x: number, y: number) => number;
  falloff?: number;
  scatter?: number;
  drift?: number;
}) {
  const random = seededRandom(5);
  const tracks = 300;
  const { frames } = options;
  const flux = new Float32Array(frames * tracks);
  const x = new Float32Array(frames * tracks);
  const y = new Float32Array(frames * tracks);
  for (let k = 0; k < tracks; k++) {
    const x0 = random() * WIDTH;
    const y0 = random() * HEIGHT;
    const bright = 2000 * 10 ** (1.5 * random());
    for (let i = 0; i < frames; i++) {
      const at = i * tracks + k;
      x[at] = x0 + (options.drift ?? 10) * (i - frames / 2);
      y[at] = y0;
      const r2 = ((x[at]! - WIDTH / 2) ** 2 + (y0 - HEIGHT / 2) ** 2) / ((WIDTH ** 2 + HEIGHT ** 2) / 4);
      const outside = x[at]! < 5 || x[at]! > WIDTH - 5;
      flux[at] = outside
        ? Number.NaN
        : bright *
          options.clear(i, x[at]!, y0) *
          Math.exp(-(options.falloff ?? 0) * r2) *
          (1 + (options.scatter ?? 0.05) * gaussian(random));
    }
  }
  return { trackCount: tracks, flux, x, y };
}

const equal = (frames: number) => new Float64Array(frames).fill(10);

describe('measureTransparency', () => {
  it('calls a clear run clear, also when stars drift through the falloff of the lens', () => {
    const photometry = run({ frames: 30, clear: () => 1, falloff: 0.9, drift: 15 });
    const { frame } = measureTransparency(photometry, { width: WIDTH, height: HEIGHT, exposures: equal(30) });
    for (const value of frame) {
      expect(value).toBeGreaterThan(0.97); // clear frames scatter by 3 % (FINDINGS table of verdicts)
      expect(value).toBeLessThan(1.03);
    }
  });

  it('finds even cloud within 3 % and patchy cloud zone by zone (P32, P33)', () => {
    const clear = (i: number, x: number) =>
      i === 10 ? 0.8 : i === 11 ? (x < WIDTH / 2 ? 0.5 : 1) : i === 12 ? 0.3 : 1;
    const photometry = run({ frames: 30, clear, falloff: 0.5 });
    const { frame, zone } = measureTransparency(photometry, {
      width: WIDTH,
      height: HEIGHT,
      exposures: equal(30),
    });
    expect(Math.abs(frame[10]! - 0.8)).toBeLessThan(0.03); // 300 stars at 5 %: 0.3 %, plus the zone trimming
    expect(Math.abs(frame[11]! - 0.75)).toBeLessThan(0.06); // the middle column of zones holds both halves
    expect(Math.abs(frame[12]! - 0.3)).toBeLessThan(0.03);
    expect(zone[11 * 25 + 10]!).toBeLessThan(0.55); // left zone
    expect(zone[11 * 25 + 14]!).toBeGreaterThan(0.95); // right zone
  });

  it('does not take a rising field for clearing cloud, and finds the extinction of the night (P34)', () => {
    const air = (i: number, y: number) => 1.6 + (1.6 * y) / HEIGHT - 0.03 * i * (0.5 + y / HEIGHT);
    const dimmed = (i: number, _: number, y: number) => 10 ** (-0.4 * 0.13 * air(i, y));
    const photometry = run({ frames: 30, clear: dimmed, falloff: 0.6 });
    const airmass = photometry.y.map((y, at) => air(Math.floor(at / photometry.trackCount), y));
    const options = { width: WIDTH, height: HEIGHT, exposures: equal(30) };
    const told = measureTransparency({ ...photometry, airmass }, options);
    expect(Math.abs(told.loss.extinction - 0.13)).toBeLessThan(0.03); // mag; 300 stars at 5 % held to 0.2 by 0.05
    for (const value of told.frame) expect(Math.abs(value - 1)).toBeLessThan(0.02); // a third of the way to doubt
    const untold = measureTransparency(photometry, options).frame;
    expect(Math.min(...untold)).toBeLessThan(0.95); // what is to be guarded against
  });

  it('compares a bracket of shutters at equal exposure', () => {
    const photometry = run({ frames: 12, clear: () => 1 });
    const exposures = Float64Array.from({ length: 12 }, (_, i) => (i % 2 ? 5 : 10));
    for (let i = 0; i < 12; i++) {
      for (let k = 0; k < photometry.trackCount; k++)
        photometry.flux[i * photometry.trackCount + k]! *= exposures[i]! / 10;
    }
    const { frame } = measureTransparency(photometry, { width: WIDTH, height: HEIGHT, exposures });
    for (const value of frame) expect(Math.abs(value - 1)).toBeLessThan(0.03); // clear frames scatter by 3 %
  });

  it('says unknown where there are no stars', () => {
    const { frame } = measureTransparency(
      { trackCount: 0, flux: new Float32Array(0), x: new Float32Array(0), y: new Float32Array(0) },
      { width: WIDTH, height: HEIGHT, exposures: equal(4) },
    );
    expect([...frame].every(Number.isNaN)).toBe(true);
  });
});

describe('zenithInCamera', () => {
  it('needs the pole to some degrees only, not as well as the report of the pole does', () => {
    const turned = (angle: number) => [
      Math.cos(angle),
      0,
      Math.sin(angle),
      0,
      1,
      0,
      -Math.sin(angle),
      0,
      Math.cos(angle),
    ];
    const { alignment } = madeRun([{}, {}]);
    const roughly = (error: number): Alignment => ({
      ...alignment,
      model: { ...alignment.model!, pole: [0, -1, 0] },
      frames: alignment.frames.map((frame, i) => ({ ...frame, rotation: turned(0.02 * i) })),
      polePosition: { x: 0, y: 0, error, known: false },
    });
    // The pole straight up beside a level camera: at the pole of the Earth, nearly.
    expect(zenithInCamera(roughly(0.3), { latitude: 89.9 })).toBeDefined();
    expect(zenithInCamera(roughly(25), { latitude: 89.9 })).toBeUndefined();
  });
});

describe('findDewOnset', () => {
  it('finds a growing stretch to the end within 3 frames (P24)', () => {
    const size = Array.from({ length: 40 }, (_, i) =>
      i < 25 ? 1 + 0.01 * Math.sin(i) : 1 + 0.02 * (i - 24),
    );
    const light = Array.from({ length: 40 }, (_, i) => (i < 25 ? 1 : 1 - 0.015 * (i - 24)));
    const found = findDewOnset(size, light);
    expect(Math.abs(found! - 25)).toBeLessThanOrEqual(3);
  });

  it('stays silent for clear runs, for a soft spell that ends, and for a step of focus', () => {
    const flat = Array.from({ length: 30 }, () => 1);
    expect(findDewOnset(flat, flat)).toBeUndefined();
    const spell = flat.map((_, i) => (i > 10 && i < 14 ? 1.9 : 1));
    expect(findDewOnset(spell, flat)).toBeUndefined();
    const step = flat.map((_, i) => (i > 20 ? 1.5 : 1));
    expect(
      findDewOnset(
        step,
        step.map((value) => 1 / value),
      ),
    ).toBeUndefined();
  });
});

describe('tensorTrail', () => {
  it('gives back the length and direction of a line (checks D-TRL: variance L^2/12)', () => {
    for (const angle of [0, 33, 90, 141]) {
      const found = tensorTrail(trailTensor(6, angle));
      expect(found.length).toBeCloseTo(6, 9); // algebra
      expect(found.angle).toBeCloseTo(angle, 6); // algebra
    }
  });
});
