import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import {
  apply,
  cameraAxes,
  direction,
  equatorialToEnu,
  type FrameGeometry,
  frameGeometry,
  orientationOf,
  pixelToSky,
  precession,
  starToPixel,
} from '../../sample-night/_geometry.js';
import { type LensOnSensor, project, unproject } from '../../sample-night/_lens.js';
import type { LensShape } from '../../sample-night/index.js';
import { apparentAltitude, toApparent, toHorizontal } from '../../src/sky/index.js';
import { SCENARIOS, simulateNight, smallNight } from '../support/synthetic-sky.js';

interface GoldenRow {
  readonly id: string;
  // biome-ignore lint/suspicious/noExplicitAny: rows of different quantities have different fields
  readonly inputs: any;
  // biome-ignore lint/suspicious/noExplicitAny: as above
  readonly expected: any;
}
const golden = JSON.parse(
  readFileSync(new URL('../golden/sample-night-geometry.json', import.meta.url), 'utf8'),
) as { rows: GoldenRow[] };
const rows = (prefix: string) => golden.rows.filter((row) => row.id.startsWith(prefix));

const plain: LensShape = { projection: 'rectilinear', k1: 0, k2: 0, offsetX: 0, offsetY: 0 };

describe('equatorialToEnu and starToPixel', () => {
  const geometry: FrameGeometry = {
    camera: cameraAxes({ azimuth: 180, altitude: 25, roll: 0 }),
    lens: { shape: plain, focalLengthPx: 5000, centerX: 3000, centerY: 2000 },
    refraction: false,
    skyAt: () => [],
  };
  it.each(rows('D-SKY'))(
    'puts the star of $id where spherical trigonometry puts it',
    ({ inputs, expected }) => {
      const star = direction(0, inputs.dec);
      const start = equatorialToEnu(inputs.lat, inputs.H0);
      const enu = apply(start, star);
      // 1e-6: the row's own tolerance, its values carry nine digits.
      enu.forEach((value, i) => {
        expect(Math.abs(value - expected.enu[i])).toBeLessThan(1e-6);
      });
      const out = new Float64Array(3);
      starToPixel(geometry, start, ...star, out);
      // 1e-3 px: the row's own tolerance.
      expect(Math.abs(out[0]! - expected.px0[0])).toBeLessThan(1e-3);
      expect(Math.abs(out[1]! - expected.px0[1])).toBeLessThan(1e-3);
      const turned = equatorialToEnu(inputs.lat, inputs.H0 + (15.041068645 * inputs.dt_s) / 3600);
      starToPixel(geometry, turned, ...star, out);
      // 1e-3 px: the row's own tolerance.
      expect(Math.abs(out[0]! - expected.px600[0])).toBeLessThan(1e-3);
      expect(Math.abs(out[1]! - expected.px600[1])).toBeLessThan(1e-3);
    },
  );
});

describe('project', () => {
  const brown: LensOnSensor = {
    shape: { ...plain, k1: -0.25, k2: 0.12, k3: -0.02, p1: 0.001, p2: -0.0005 },
    focalLengthPx: 1000,
    centerX: 640,
    centerY: 360,
  };
  it.each(rows('D-BC'))('bends as $id says', ({ inputs, expected }) => {
    const [x, y, z] = JSON.parse(/X=(\[.*\])/.exec(inputs)![1]!) as [number, number, number];
    const out = new Float64Array(2);
    project(brown, x, y, z, out);
    // 1e-6 px: the rows' own tolerance.
    expect(Math.abs(out[0]! - expected[0])).toBeLessThan(1e-6);
    expect(Math.abs(out[1]! - expected[1])).toBeLessThan(1e-6);
  });

  it('gives the rectilinear image heights of D-RECT', () => {
    const [row] = rows('D-RECT');
    const out = new Float64Array(2);
    for (const [key, height] of Object.entries(row!.expected as Record<string, number>)) {
      const [, f, theta] = /f=(\d+)mm,theta=(\d+)/.exec(key)!.map(Number);
      const angle = (theta! * Math.PI) / 180;
      project(
        { shape: plain, focalLengthPx: f!, centerX: 0, centerY: 0 },
        Math.sin(angle),
        0,
        Math.cos(angle),
        out,
      );
      // 1e-5 mm: the row's own tolerance.
      expect(Math.abs(out[0]! - height)).toBeLessThan(1e-5);
    }
  });

  const shapes: Record<string, LensShape> = {
    brown: brown.shape,
    division: { ...plain, division: -0.12 },
    equidistant: { ...plain, projection: 'equidistant', k1: 0.02 },
    equisolid: { ...plain, projection: 'equisolid', k1: -0.01 },
    stereographic: { ...plain, projection: 'stereographic', k1: 0.01, p1: 2e-4 },
  };
  it.each(Object.entries(shapes))('is undone by unproject for the form %s', (_, shape) => {
    const lens: LensOnSensor = { shape, focalLengthPx: 1000, centerX: 750, centerY: 500 };
    const v = new Float64Array(3);
    const out = new Float64Array(2);
    for (const [x, y] of [
      [750, 500],
      [0, 0],
      [1499, 20],
      [300, 999],
    ] as const) {
      unproject(lens, x, y, v);
      project(lens, v[0]!, v[1]!, v[2]!, out);
      // 1e-7 px: both directions are exact, the inverse is iterated to 1e-13.
      expect(Math.hypot(out[0]! - x, out[1]! - y)).toBeLessThan(1e-7);
    }
  });
});

describe('orientationOf', () => {
  it('names the EXIF orientation that shows each way of holding the camera upright (L09)', () => {
    expect([0, 90, 180, -90, 270, 3, 93].map(orientationOf)).toEqual([1, 6, 3, 8, 8, 1, 6]);
  });

  it('agrees with where the horizon lies on the sensor', () => {
    // Orientation 6: the first column is the top of the picture, so +x goes down.
    const down = (roll: number) => {
      const axes = cameraAxes({ azimuth: 77, altitude: 10, roll });
      return [-axes[2]!, -axes[5]!];
    };
    // Exact but for rounding: the rows of a rotation.
    expect(down(90)[0]).toBeGreaterThan(0.98);
    expect(down(-90)[0]).toBeLessThan(-0.98);
    expect(down(0)[1]).toBeGreaterThan(0.98);
    expect(down(180)[1]).toBeLessThan(-0.98);
  });
});

describe('frameGeometry', () => {
  it('agrees with the ephemeris library on where a real star stands', () => {
    const scenario = SCENARIOS.sample!();
    const shot = { ...scenario.shots[4]!, time: 0 };
    const geometry = frameGeometry(scenario, shot);
    const antares = { rightAscension: 247.3519, declination: -26.432 };
    const instant = new Date(scenario.start);
    const seen = toHorizontal(toApparent(antares, instant), instant, scenario.site);
    const out = new Float64Array(3);
    starToPixel(geometry, geometry.skyAt(0), ...direction(antares.rightAscension, antares.declination), out);
    const altitude = (Math.asin(out[2]!) * 180) / Math.PI;
    // 0.013 deg = 47 arcsec: aberration (20) and nutation (up to 18 arcsec) are left out of the simulator,
    // they shift all stars of a field alike.
    expect(Math.abs(altitude - apparentAltitude(seen.altitude))).toBeLessThan(0.013);
    const [e, n, u] = [0, 1, 2].map((c) => {
      const a = (seen.azimuth * Math.PI) / 180;
      const h = (apparentAltitude(seen.altitude) * Math.PI) / 180;
      return [Math.sin(a) * Math.cos(h), Math.cos(a) * Math.cos(h), Math.sin(h)][c]!;
    }) as [number, number, number];
    const inCamera = apply(geometry.camera, [e, n, u]);
    const expected = new Float64Array(2);
    project(geometry.lens, ...inCamera, expected);
    // 0.4 px = 50 arcsec at 129 arcsec/px, as above.
    expect(Math.hypot(out[0]! - expected[0]!, out[1]! - expected[1]!)).toBeLessThan(0.4);
  });

  it('precesses the pole star as catalogues do', () => {
    // Polaris, J2000 (37.9546, 89.2641) stands 0.6237 deg from the pole of 2026.6 (Meeus ch. 21: 0.7359 deg at J2000, least 0.46 about 2102).
    const [, , z] = apply(precession(Date.parse('2026-08-12T00:00:00Z')), direction(37.9546, 89.2641));
    const away = (Math.acos(z) * 180) / Math.PI;
    // Bounds: 26.6 years of 20.04 arcsec carry the pole 0.148 deg, at most all of it toward the star.
    expect(away).toBeGreaterThan(0.7359 - 0.148);
    expect(away).toBeLessThan(0.66);
  });

  it('maps a pixel to the sky and back', () => {
    const scenario = smallNight();
    const geometry = frameGeometry(scenario, scenario.shots[0]!);
    const sky = geometry.skyAt(11);
    const out = new Float64Array(3);
    for (const [x, y] of [
      [3, 5],
      [599, 399],
      [20, 380],
    ] as const) {
      starToPixel(geometry, sky, ...pixelToSky(geometry, sky, x, y), out);
      // 1e-4 px: the refraction is inverted by five steps of a fixed-point iteration.
      expect(Math.hypot(out[0]! - x, out[1]! - y)).toBeLessThan(1e-4);
    }
  });

  it('moves the picture of the land by the head motion that is asked for (P31)', () => {
    const still = smallNight();
    const moved = smallNight({ happenings: [{ kind: 'knock', at: 0, move: { x: 7, y: -4, rotation: 0 } }] });
    const a = frameGeometry(still, still.shots[0]!);
    const b = frameGeometry(moved, moved.shots[0]!);
    const v = new Float64Array(3);
    unproject(a.lens, a.lens.centerX, a.lens.centerY, v);
    const m = a.camera;
    const enu: [number, number, number] = [0, 1, 2].map(
      (c) => m[c]! * v[0]! + m[3 + c]! * v[1]! + m[6 + c]! * v[2]!,
    ) as [number, number, number];
    const out = new Float64Array(2);
    project(b.lens, ...apply(b.camera, enu), out);
    // 0.01 px: the two tilts do not quite commute (7 px * (4/1600)^2).
    expect(Math.abs(out[0]! - a.lens.centerX - 7)).toBeLessThan(0.01);
    expect(Math.abs(out[1]! - a.lens.centerY + 4)).toBeLessThan(0.01);
  });
});

describe('mapPoint', () => {
  it('carries each star of one frame onto itself in another, through refraction, a knock and a shake', () => {
    const night = simulateNight(
      smallNight({
        cadence: 200,
        happenings: [
          { kind: 'knock', at: 4, move: { x: 12, y: 9, rotation: 0.7 } },
          { kind: 'shake', at: 7, length: 6, angle: 40 },
        ],
      }),
    );
    const first = night.frames[0]!.stars(200);
    const last = night.frames[7]!.stars(200);
    let compared = 0;
    for (let i = 0; i < first.count; i++) {
      const j = last.row.indexOf(first.row[i]!);
      if (j < 0) continue;
      const [x, y] = night.mapPoint(0, 7, first.x[i]!, first.y[i]!);
      // 0.01 px: the flux's middle of a 1 px arc lies 1e-3 px beside the place at mid-exposure.
      expect(Math.hypot(x - last.x[j]!, y - last.y[j]!)).toBeLessThan(0.01);
      compared++;
    }
    expect(compared).toBeGreaterThan(50);
  });
});
