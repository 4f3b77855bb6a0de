import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  archInFrame,
  commonSky,
  type Framing,
  frameTrails,
  GALACTIC_CENTER,
  hourAngleToHorizontal,
  parseTarget,
  placeInFrame,
  toHorizontal,
  trackTarget,
  trailLength,
} from '../../src/sky/index.js';

const site = { latitude: -31.273, longitude: 149.062 };
const instant = new Date('2026-08-12T14:00:00Z');
const wide = { focalLengthMm: 20, widthMm: 36, heightMm: 24 };

describe('placeInFrame', () => {
  it('puts the aim in the middle, up at the top and the east on the left when looking south', () => {
    const framing: Framing = { ...wide, aim: { azimuth: 180, altitude: 40 } };
    const middle = placeInFrame(framing, framing.aim)!;
    expect(middle.x).toBeCloseTo(0.5, 12); // geometry, rounding only
    expect(middle.y).toBeCloseTo(0.5, 12);
    expect(placeInFrame(framing, { azimuth: 180, altitude: 50 })!.y).toBeLessThan(0.5);
    expect(placeInFrame(framing, { azimuth: 170, altitude: 40 })!.x).toBeLessThan(0.5);
    expect(placeInFrame(framing, { azimuth: 0, altitude: -40 })).toBeUndefined();
  });
  it('meets the published places of five stars to 0.001 px (checks D-SKY)', () => {
    const framing: Framing = {
      aim: { azimuth: 180, altitude: 25 },
      focalLengthMm: 20,
      widthMm: 24,
      heightMm: 16,
    };
    for (const [h, dec, x, y, x600, y600] of [
      [0, -29, 3000, 1912.7247, 3191.4417, 1914.7557],
      [-20, -10, 1104.0196, 241.9273, 1355.8721, 226.893],
      [25, -35, 4861.7719, 2675.0884, 5065.1146, 2728.4713],
      [10, 5, 4073.0626, -1511.0264, 4350.5553, -1516.7836],
      [-30, -40, 862.4254, 3255.4784, 1056.6858, 3191.9321],
    ] as const) {
      for (const [seconds, px, py] of [
        [0, x, y],
        [600, x600, y600],
      ] as const) {
        const at = hourAngleToHorizontal(h + (15.041_068_645 * seconds) / 3600, dec, 35);
        const got = placeInFrame(framing, at)!;
        expect(Math.abs(got.x * 6000 - px)).toBeLessThan(1e-3); // stated
        expect(Math.abs(got.y * 4000 - py)).toBeLessThan(1e-3);
      }
    }
  });
});

describe('archInFrame', () => {
  it('runs through the middle of a frame aimed at the galactic center', () => {
    const aim = trackTarget({ kind: 'core', name: 'core', ...GALACTIC_CENTER }, site, instant)(instant);
    const points = archInFrame({ ...wide, aim }, { site, instant });
    const center = points.find(({ galacticLongitude }) => galacticLongitude === 0)!;
    // Sgr A* lies 0.072 deg from l = 0, b = 0; at 20 mm that is 0.025 mm.
    expect(Math.hypot((center.x - 0.5) * 36, (center.y - 0.5) * 24)).toBeLessThan(0.03);
    expect(points.length).toBeGreaterThan(20);
    for (const { x, y, altitude } of points) {
      expect(x >= 0 && x <= 1 && y >= 0 && y <= 1 && altitude >= 0).toBe(true);
    }
  });
  it('stands level in the middle of a frame aimed at its summit', () => {
    const aim = trackTarget(parseTarget('arch'), site, instant)(instant);
    const points = archInFrame({ ...wide, aim }, { site, instant });
    const nearest = points.reduce((a, b) => (Math.abs(a.x - 0.5) < Math.abs(b.x - 0.5) ? a : b));
    expect(nearest.y).toBeCloseTo(0.5, 2); // the nearest of points 2 deg apart is within 1 deg of the summit
    expect(Math.max(...points.map(({ altitude }) => altitude))).toBeLessThan(aim.altitude + 0.01); // aberration bends the circle by up to 20 arcsec
  });
});

describe('frameTrails', () => {
  it('agrees with the formula in the middle, whatever the aim', () => {
    fc.assert(
      fc.property(
        fc.double({ min: 0, max: 360, noNaN: true }),
        fc.double({ min: 1, max: 89, noNaN: true }),
        fc.double({ min: -80, max: 80, noNaN: true }),
        (azimuth, altitude, latitude) => {
          const framing = { ...wide, aim: { azimuth, altitude } };
          const { center } = frameTrails(framing, { latitude, exposureTime: 10, pixelPitchUm: 4 });
          // sin(dec) = sin(alt) sin(lat) + cos(alt) cos(lat) cos(az)
          const [a, f, z] = [altitude, latitude, azimuth].map((d) => (d * Math.PI) / 180) as [
            number,
            number,
            number,
          ];
          const declination =
            (Math.asin(Math.sin(a) * Math.sin(f) + Math.cos(a) * Math.cos(f) * Math.cos(z)) * 180) / Math.PI;
          const formula = trailLength({ exposureTime: 10, declination, focalLengthMm: 20, pixelPitchUm: 4 });
          expect(Math.abs(center - formula)).toBeLessThan(1e-4); // px; the chord of 150 arcsec
        },
      ),
    );
  });
  it('stretches in the corner as the projection says: between 1/cos and 1/cos^2', () => {
    // Aimed at the celestial equator on the meridian: corners lie 47 deg off at 20 mm on 36 x 24.
    const framing: Framing = { ...wide, aim: { azimuth: 180, altitude: 50 } };
    const { center, corners, worst } = frameTrails(framing, {
      latitude: 40,
      exposureTime: 10,
      pixelPitchUm: 4,
    });
    expect(worst / center).toBeGreaterThan(1.2);
    expect(worst / center).toBeLessThan(1 + (18 ** 2 + 12 ** 2) / 20 ** 2); // 1/cos^2 of the corner angle
    expect(corners[0]).toBeCloseTo(corners[1], 6); // symmetric about the meridian
  });
});

describe('the worst corner', () => {
  it('is the worst place of the whole frame, by a grid of 17 x 17 points of the sky (P02)', () => {
    const rad = (deg: number) => (deg * Math.PI) / 180;
    const toward = (azimuth: number, altitude: number) =>
      [
        Math.cos(rad(altitude)) * Math.sin(rad(azimuth)),
        Math.cos(rad(altitude)) * Math.cos(rad(azimuth)),
        Math.sin(rad(altitude)),
      ] as const;
    type Vector = readonly [number, number, number];
    const cross = (a: Vector, b: Vector): Vector => [
      a[1] * b[2] - a[2] * b[1],
      a[2] * b[0] - a[0] * b[2],
      a[0] * b[1] - a[1] * b[0],
    ];
    const dot = (a: Vector, b: Vector) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    fc.assert(
      fc.property(
        fc.double({ min: 0, max: 360, noNaN: true }),
        fc.double({ min: 1, max: 89, noNaN: true }),
        fc.double({ min: -80, max: 80, noNaN: true }),
        (azimuth, altitude, latitude) => {
          const { worst } = frameTrails(
            { ...wide, aim: { azimuth, altitude } },
            { latitude, exposureTime: 1, pixelPitchUm: 4 },
          );
          const ahead = toward(azimuth, altitude);
          const right: Vector = [Math.cos(rad(azimuth)), -Math.sin(rad(azimuth)), 0];
          const up = cross(right, ahead);
          const pole = toward(latitude >= 0 ? 0 : 180, Math.abs(latitude));
          const axis: Vector = [dot(pole, right), dot(pole, up), dot(pole, ahead)];
          // A star at (x, y, 1) in front of the lens moves as axis x place; its picture at f (x, y).
          const speed = (x: number, y: number) => {
            const moved = cross(axis, [x, y, 1]);
            return Math.hypot(moved[0] - x * moved[2], moved[1] - y * moved[2]);
          };
          let most = 0;
          for (let i = -8; i <= 8; i++)
            for (let j = -8; j <= 8; j++)
              most = Math.max(most, speed((i / 8) * (18 / 20), (j / 8) * (12 / 20)));
          const px = (most * rad(15.041 / 3600) * 20) / 0.004; // 20 mm, 4 um, sidereal rate 15.041 arcsec/s
          expect(Math.abs(worst / px - 1)).toBeLessThan(1e-4); // rate to 5 digits
        },
      ),
    );
  });
});

describe('commonSky', () => {
  const framing: Framing = { ...wide, aim: { azimuth: 180, altitude: 40 } };
  it('is the whole frame for no time and shrinks with time', () => {
    let before = commonSky(framing, { latitude: 35, duration: 0 });
    expect(before).toBeCloseTo(1, 9); // geometry, rounding only
    for (const duration of [600, 1800, 3600, 7200, 4 * 3600]) {
      const share = commonSky(framing, { latitude: 35, duration });
      expect(share).toBeLessThan(before);
      expect(share).toBeGreaterThanOrEqual(0);
      before = share;
    }
  });
  it('agrees with counting points that all frames see', () => {
    // The obvious twin: a grid of points in the middle frame, turned to both ends of the run.
    const latitude = 35;
    const duration = 3600;
    let seen = 0;
    let all = 0;
    for (let i = 0.5; i < 60; i++) {
      for (let j = 0.5; j < 40; j++) {
        all++;
        // From a point of the frame to hour angle and declination, by search-free geometry: altitude-azimuth first.
        const [x, y] = [(i / 60 - 0.5) * 36, (0.5 - j / 40) * 24];
        const a = (40 * Math.PI) / 180;
        const forward = 20 * Math.cos(a) - y * Math.sin(a);
        const altitude =
          (Math.atan2(20 * Math.sin(a) + y * Math.cos(a), Math.hypot(forward, x)) * 180) / Math.PI;
        const azimuth = 180 + (Math.atan2(x, forward) * 180) / Math.PI;
        const instants = [0, -duration / 2, duration / 2];
        const middle = new Date('2026-06-15T00:00:00Z');
        const place = placeOf(altitude, azimuth, latitude, middle);
        const inside = instants.every((seconds) => {
          const at = toHorizontal(place, new Date(middle.getTime() + seconds * 1000), {
            latitude,
            longitude: 0,
          });
          const p = placeInFrame(framing, at);
          return p !== undefined && p.x >= 0 && p.x <= 1 && p.y >= 0 && p.y <= 1;
        });
        if (inside) seen++;
      }
    }
    expect(Math.abs(seen / all - commonSky(framing, { latitude, duration }))).toBeLessThan(0.01); // a grid of 60 x 40
  });
});

/** Altitude and azimuth to a place of date, by the inverse of the plain formulas. */
function placeOf(altitude: number, azimuth: number, latitude: number, when: Date) {
  const [a, z, f] = [altitude, azimuth, latitude].map((d) => (d * Math.PI) / 180) as [number, number, number];
  const declination = Math.asin(Math.sin(a) * Math.sin(f) + Math.cos(a) * Math.cos(f) * Math.cos(z));
  const hourAngle = Math.atan2(
    -Math.cos(a) * Math.sin(z),
    Math.sin(a) * Math.cos(f) - Math.cos(a) * Math.sin(f) * Math.cos(z),
  );
  // Right ascension follows from one place on the meridian at that instant.
  const zero = toHorizontal({ rightAscension: 0, declination: 0 }, when, { latitude: 0, longitude: 0 });
  const sidereal = zero.azimuth > 180 ? 90 - zero.altitude : zero.altitude - 90;
  return {
    rightAscension: (sidereal - (hourAngle * 180) / Math.PI + 720) % 360,
    declination: (declination * 180) / Math.PI,
  };
}
