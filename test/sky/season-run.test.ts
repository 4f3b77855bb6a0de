import { describe, expect, it } from 'vitest';
import {
  cardSpace,
  darkness,
  exposureSense,
  framesForGain,
  framesInStretch,
  nightWindowFor,
  noiseGain,
  noiseOfSplitting,
  parseTarget,
  runDuration,
  seasonView,
  skyLimitedExposure,
  skyRate,
  skyTurn,
  starCatalogue,
  trackTarget,
} from '../../src/sky/index.js';

describe('seasonView', () => {
  const site = { latitude: 38.2, longitude: -7.5, zone: 'Europe/Lisbon' };
  const target = parseTarget('core');
  const view = seasonView({ site, target, from: '2026-01-01' });

  it('agrees with the exact window of single nights to a minute', () => {
    for (const night of [
      '2026-01-01',
      '2026-03-28',
      '2026-06-14',
      '2026-07-20',
      '2026-08-12',
      '2026-10-25',
    ]) {
      const exact = darkness(site, night);
      const window = nightWindowFor({
        site,
        track: trackTarget(target, site, exact.lowestSun.time),
        dark: exact.dark,
        minimumAltitude: 10,
        harmlessMoon: 0.1,
      });
      const down =
        window.moonDown.reduce((s, { start, end }) => s + end.getTime() - start.getTime(), 0) / 3_600_000;
      const row = view.nights.find((one) => one.night === night)!;
      expect(Math.abs(row.darkHours - exact.hours)).toBeLessThan(1 / 60); // the promise: a minute
      expect(Math.abs(row.hours - down)).toBeLessThan(1 / 60);
    }
  });
  it('has one row a night, in order, over clock changes', () => {
    expect(view.nights.length).toBe(365);
    expect(view.nights[0]!.night).toBe('2026-01-01');
    expect(view.nights[364]!.night).toBe('2026-12-31');
  });
  it('sums the nights up by month', () => {
    expect(view.months.map(({ month }) => month)).toEqual(
      Array.from({ length: 12 }, (_, i) => `2026-${String(i + 1).padStart(2, '0')}`),
    );
    for (const { month, nights, goodNights, evenings, best } of view.months) {
      const own = view.nights.filter(({ night }) => night.startsWith(month));
      expect(nights).toBe(own.length);
      expect(goodNights).toBe(own.filter(({ hours }) => hours >= 2).length);
      expect(evenings).toBe(own.filter(({ upInEvening }) => upInEvening).length);
      expect(best?.hours ?? 0).toBe(Math.max(...own.map(({ hours }) => hours)));
    }
    // In winter the core is lost in the day at this latitude, in July it stands in the evening sky.
    expect(view.months[11]!.evenings).toBe(0);
    expect(view.months[6]!.evenings).toBe(31);
  });
  it('finds the core best near new moon in early summer and up in the evening from June to September', () => {
    const [best] = view.best;
    expect(best!.moon).toBeLessThan(0.25);
    expect(best!.night >= '2026-05-10' && best!.night <= '2026-07-31').toBe(true);
    expect(view.evenings.length).toBe(1);
    expect(view.evenings[0]!.from.slice(0, 7)).toMatch(/2026-0[56]/);
    expect(view.evenings[0]!.to.slice(0, 7)).toMatch(/2026-(09|10)/);
    for (let i = 1; i < view.best.length; i++)
      expect(view.best[i]!.hours).toBeLessThanOrEqual(view.best[i - 1]!.hours);
  });
  it('is empty where the target never rises', () => {
    const north = seasonView({
      site: { latitude: 69.65, longitude: 18.96, zone: 'Europe/Oslo' },
      target,
      from: '2026-06-21',
      nights: 30,
    });
    expect(north.best).toEqual([]);
    expect(north.evenings).toEqual([]);
    expect(north.nights.every(({ darkHours }) => darkHours === 0)).toBe(true);
  });
  it('refuses a span or altitude that makes no sense', () => {
    const bad = expect.objectContaining({ code: 'VALUE_OUT_OF_RANGE' });
    expect(() => seasonView({ site, target, from: '2026-01-01', nights: 0 })).toThrow(bad);
    expect(() => seasonView({ site, target, from: '2026-01-01', minimumAltitude: 95 })).toThrow(bad);
  });
});

describe('the run', () => {
  it('reckons noise by the square root, and the median at 80 % of it', () => {
    expect(noiseGain(16)).toBe(4); // exact
    expect(noiseGain(100, 'median') / noiseGain(100)).toBeCloseTo(Math.sqrt(2 / Math.PI), 12); // rounding
    expect(framesForGain(2)).toBe(4);
    expect(framesForGain(6)).toBe(36);
    expect(framesForGain(4, 'median')).toBe(26); // 16 pi/2 = 25.13
    for (const gain of [1, 1.5, 3.3, 10])
      expect(noiseGain(framesForGain(gain))).toBeGreaterThanOrEqual(gain - 1e-9);
  });
  it('counts the pauses between frames only', () => {
    const pace = { exposureTime: 20, pause: 2 };
    expect(runDuration({ ...pace, frames: 10 })).toBe(218);
    expect(framesInStretch(218, pace)).toBe(10);
    expect(framesInStretch(217.9, pace)).toBe(9);
    expect(framesInStretch(0, pace)).toBe(0);
  });
  it('turns the sky by 15.04 deg an hour', () => expect(skyTurn(3600)).toBeCloseTo(15.0411, 4)); // printed decimals
  it('reckons the card uncompressed', () => {
    expect(cardSpace({ frames: 10, imageWidth: 6000, imageHeight: 4000 })).toBe(420_000_000); // 14 bit
  });
});

describe('exposure (P46)', () => {
  const lens = { focalLengthMm: 24, fNumber: 2.8, pixelPitchUm: 4.3 };
  it('meets the published sub-exposure length and noise of splitting (checks D-SNR-2, D-SNR-3)', () => {
    expect(
      Math.abs(skyLimitedExposure({ readNoise: 3, skyRate: 0.6, excess: 0.05 }) - 146.3415),
    ).toBeLessThan(1e-3); // stated
    const got = noiseOfSplitting({ frames: 10, totalTime: 300, skyRate: 0.6, readNoise: 3 });
    expect(Math.abs(got - 1.195_23)).toBeLessThan(1e-4); // stated
  });
  it('needs only f-number and pitch for the sky, and follows both squared', () => {
    const rate = skyRate(21.5, lens);
    expect(skyRate(21.5, { ...lens, focalLengthMm: 50 }) / rate).toBeCloseTo(1, 12); // rounding
    expect(skyRate(21.5, { ...lens, fNumber: 1.4 }) / rate).toBeCloseTo(4, 12);
    expect(skyRate(21.5, { ...lens, pixelPitchUm: 8.6 }) / rate).toBeCloseTo(4, 12);
    expect(skyRate(19, lens) / rate).toBeCloseTo(10, 9); // 2.5 mag
  });
  it('knows when read noise no longer matters, and which stars clip', () => {
    const base = {
      ...lens,
      exposureTime: 15,
      skyBrightness: 21.5,
      sensor: { readNoise: 4, fullWell: 15_000 },
    };
    const sense = exposureSense(base);
    expect(exposureSense({ ...base, exposureTime: sense.skyLimitedFrom * 1.01 }).skyLimited).toBe(true);
    expect(exposureSense({ ...base, exposureTime: sense.skyLimitedFrom * 0.99 }).skyLimited).toBe(false);
    expect(exposureSense({ ...base, trail: 6 }).clippingMagnitude!).toBeLessThan(sense.clippingMagnitude!);
    expect(sense.clippedShare!).toBeGreaterThan(0);
    expect(sense.clippedShare!).toBeLessThan(1);
    expect(exposureSense({ ...base, sensor: { readNoise: 4 } }).clippingMagnitude).toBeUndefined();
    expect(exposureSense({ ...base, exposureTime: 36_000 }).clippingMagnitude).toBeUndefined(); // the sky itself clips
  });
});

describe('starCatalogue', () => {
  const stars = starCatalogue();
  it('holds the sky to magnitude 8, brightest first', () => {
    expect(stars.count).toBe(41_411);
    for (const column of [stars.rightAscension, stars.declination, stars.magnitude, stars.colorIndex]) {
      expect(column.length).toBe(stars.count);
      expect(column.every(Number.isFinite)).toBe(true);
    }
    for (let i = 1; i < stars.count; i++) expect(stars.magnitude[i]! >= stars.magnitude[i - 1]!).toBe(true);
    expect(stars.rightAscension.every((ra) => ra >= 0 && ra < 360)).toBe(true);
    expect(stars.declination.every((dec) => Math.abs(dec) <= 90)).toBe(true);
  });
  it('starts with Sirius and Canopus where they are', () => {
    // Hipparcos places J2000: 101.2872 -16.7161 and 95.9880 -52.6957; 4 printed decimals.
    expect(stars.rightAscension[0]).toBeCloseTo(101.2872, 3);
    expect(stars.declination[0]).toBeCloseTo(-16.7161, 3);
    expect(stars.rightAscension[1]).toBeCloseTo(95.988, 3);
    expect(stars.declination[1]).toBeCloseTo(-52.6957, 3);
  });
  it('is decoded once', () => expect(starCatalogue()).toBe(stars));
});
