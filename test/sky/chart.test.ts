import { describe, expect, it } from 'vitest';
import {
  BRIGHT_OBJECTS,
  groundDistance,
  moonIllumination,
  onChart,
  type Plan,
  phaseName,
  plansFor,
  skyChart,
  skySeparation,
  starCatalogue,
  toApparent,
  toHorizontal,
} from '../../src/sky/index.js';

describe('skyChart', () => {
  const site = { latitude: 28.76, longitude: -17.88 };
  const instant = new Date('2026-06-15T01:00:00Z');
  const chart = skyChart(site, instant);

  it('shows the bright stars of a June night where they stand', () => {
    for (const name of ['Vega', 'Arcturus', 'Antares']) {
      const star = BRIGHT_OBJECTS.find((one) => one.name === name)!;
      const at = toHorizontal(toApparent(star, instant), instant, site);
      const near = Array.from({ length: chart.stars.count }, (_, i) => i).some(
        (i) =>
          skySeparation(
            { rightAscension: chart.stars.azimuth[i]!, declination: chart.stars.altitude[i]! },
            { rightAscension: at.azimuth, declination: at.altitude },
          ) < 0.03, // deg: refraction at 30 deg is 1.7 arcmin
      );
      expect(near).toBe(true);
    }
    const sirius = toHorizontal(toApparent(BRIGHT_OBJECTS[0]!, instant), instant, site);
    expect(sirius.altitude).toBeLessThan(0);
    expect(chart.stars.magnitude[0]!).toBeGreaterThan(-0.1);
    expect(chart.stars.altitude.every((altitude) => altitude >= 0 && altitude <= 90)).toBe(true);
    expect(chart.moon).toBeUndefined(); // row A-N-S01: 34 deg below
  });
  it('shows about half of the sky, and more stars for a fainter limit', () => {
    const all = starCatalogue().magnitude.filter((magnitude) => magnitude <= 4.5).length;
    expect(chart.stars.count / all).toBeGreaterThan(0.35);
    expect(chart.stars.count / all).toBeLessThan(0.65);
    expect(skyChart(site, instant, { magnitude: 6 }).stars.count).toBeGreaterThan(chart.stars.count * 3);
    expect(chart.arch.length).toBeGreaterThanOrEqual(35); // half of 72 points
    expect(chart.arch.length).toBeLessThanOrEqual(38); // refraction lifts one or two more
  });
  it('is drawn as held overhead: north up, east left, horizon at 1', () => {
    expect(onChart({ altitude: 90, azimuth: 10 }).x).toBeCloseTo(0, 12); // rounding
    expect(onChart({ altitude: 0, azimuth: 0 })).toMatchObject({ y: -1 });
    expect(onChart({ altitude: 0, azimuth: 90 }).x).toBeCloseTo(-1, 12);
  });
});

describe('phaseName', () => {
  it('names a lunation in order', () => {
    const names = [0, 4, 6, 10, 13, 18, 20, 26, 27].map((day) =>
      phaseName(moonIllumination(new Date(Date.UTC(2026, 7, 12 + day, 18)))),
    );
    // New moon 2026-08-12 17:37 UTC, first quarter 20 02:46, full 28 04:18, last quarter September 4 07:51 (almanac).
    expect(names).toEqual([
      'new moon',
      'waxing crescent',
      'waxing crescent',
      'waxing gibbous',
      'waxing gibbous',
      'waning gibbous',
      'waning gibbous',
      'waning crescent',
      'waning crescent',
    ]);
    expect(phaseName(moonIllumination(new Date('2026-08-20T02:46:00Z')))).toBe('first quarter');
    expect(phaseName(moonIllumination(new Date('2026-08-28T04:18:00Z')))).toBe('full moon');
  });
});

describe('plansFor', () => {
  const plan = (name: string | undefined, latitude: number, night = '2026-08-12'): Plan => ({
    site: { latitude, longitude: 10, zone: 'Europe/Rome', ...(name === undefined ? {} : { name }) },
    night,
    target: 'core',
  });
  const near = plan(undefined, 40.1);
  const named = plan('Sandpiper Flat', 40.2);
  const far = plan('other place', 44);
  const other = plan('Sandpiper Flat', 40.2, '2026-08-13');
  const plans = [far, near, named, other];

  it('takes the same night only, the named site first, then the nearest', () => {
    const position = { latitude: 40.1, longitude: 10.01 };
    expect(plansFor(plans, { night: '2026-08-12', siteName: 'sandpiper flat', position })).toEqual([
      named,
      near,
    ]);
    expect(plansFor(plans, { night: '2026-08-12', position })).toEqual([near, named]);
  });
  it('gives every plan of the night when the place is unknown, none on other nights', () => {
    expect(plansFor(plans, { night: '2026-08-12' })).toHaveLength(3);
    expect(plansFor(plans, { night: '2026-08-14' })).toEqual([]);
  });
  it('measures a degree of latitude as 111.19 km and works over the date line', () => {
    const km = groundDistance({ latitude: 40, longitude: 10 }, { latitude: 41, longitude: 10 });
    expect(km).toBeCloseTo(111.195, 2); // pi/180 x 6371.0088
    expect(groundDistance({ latitude: 0, longitude: 179.9 }, { latitude: 0, longitude: -179.9 })).toBeCloseTo(
      22.239,
      2,
    );
  });
});
