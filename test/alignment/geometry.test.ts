import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  applyHomography,
  applyRotation,
  fitPlane,
  fitRotation,
  invertHomography,
  type LensModel,
  projectDirection,
  refract,
  rotationAbout,
  unprojectPixel,
  unrefract,
} from '../../src/alignment/index.js';
import golden from '../golden/alignment-geometry.json' with { type: 'json' };

const rows = golden.rows;
type V = [number, number, number];
const unit = (v: readonly number[]): V => {
  const n = Math.hypot(...v);
  return [v[0]! / n, v[1]! / n, v[2]! / n];
};

describe('projectDirection', () => {
  const brown: LensModel = {
    projection: 'rectilinear',
    focalLengthPx: 1000,
    centerX: 640,
    centerY: 360,
    k1: -0.25,
    k2: 0.12,
    k3: -0.02,
    p1: 0.001,
    p2: -0.0005,
  };
  const points: [keyof typeof rows, V][] = [
    ['D-BC-1', [0, 0, 1]],
    ['D-BC-2', [0.1, 0.2, 1]],
    ['D-BC-3', [-0.5, 0.3, 1]],
    ['D-BC-4', [0.6, -0.35, 1]],
    ['D-BC-5', [1, 0.6, 1]],
  ];
  for (const [id, point] of points) {
    it(`agrees with the outside projection ${id} and inverts it`, () => {
      const expected = rows[id].expected as unknown as [number, number];
      const [x, y] = projectDirection(brown, unit(point));
      expect(Math.abs(x - expected[0])).toBeLessThan(1e-6); // px: the stated tolerance of the row
      expect(Math.abs(y - expected[1])).toBeLessThan(1e-6); // px: the stated tolerance of the row
      const back = unprojectPixel(brown, x, y);
      const want = unit(point);
      for (let k = 0; k < 3; k++) expect(Math.abs(back[k]! - want[k]!)).toBeLessThan(1e-9); // stated for the inverse
    });
  }

  it('shows a rectilinear image height f tan(theta) (D-RECT)', () => {
    for (const [key, expected] of Object.entries(rows['D-RECT'].expected as Record<string, number>)) {
      const [, f, theta] = /f=(\d+)mm,theta=(\d+)/.exec(key)!.map(Number) as [number, number, number];
      const lens: LensModel = {
        projection: 'rectilinear',
        focalLengthPx: f,
        centerX: 0,
        centerY: 0,
        k1: 0,
        k2: 0,
      };
      const rad = (theta * Math.PI) / 180;
      const [x] = projectDirection(lens, [Math.sin(rad), 0, Math.cos(rad)]);
      expect(Math.abs(x - expected)).toBeLessThan(1e-5); // mm: the row is rounded there
    }
  });

  it('is undone by unprojectPixel for every projection inside the frame', () => {
    fc.assert(
      fc.property(
        fc.constantFrom('rectilinear', 'equidistant', 'equisolid', 'stereographic' as const),
        fc.double({ min: -3000, max: 3000, noNaN: true }),
        fc.double({ min: -2000, max: 2000, noNaN: true }),
        fc.double({ min: -0.04, max: 0.04, noNaN: true }),
        (projection, dx, dy, k1) => {
          const lens: LensModel = {
            projection: projection as LensModel['projection'],
            focalLengthPx: 3000,
            centerX: 2999.5,
            centerY: 1999.5,
            k1,
            k2: 0.002,
            p1: 1e-4,
            p2: -2e-4,
            stretch: 1e-4,
            shear: -2e-4,
          };
          const d = unprojectPixel(lens, 2999.5 + dx, 1999.5 + dy);
          const [x, y] = projectDirection(lens, d);
          // 1e-7 px: Newton stops at 1e-12 focal lengths, which is 3e-9 px here
          expect(Math.hypot(x - 2999.5 - dx, y - 1999.5 - dy)).toBeLessThan(1e-7);
        },
      ),
    );
  });
});

describe('rotationAbout', () => {
  const ids = ['D-SKY-1', 'D-SKY-2', 'D-SKY-3', 'D-SKY-4', 'D-SKY-5'] as const;
  for (const id of ids) {
    it(`turns a star about the pole as the outside reference does (${id})`, () => {
      const { H0, dec } = rows[id].inputs as { H0: number; dec: number };
      const expected = rows[id].expected as unknown as {
        enu: V;
        px0: [number, number];
        px600: [number, number];
      };
      const rad = Math.PI / 180;
      const lat = 35 * rad;
      const enu = (hourAngle: number): V => {
        const h = hourAngle * rad;
        const d = dec * rad;
        return [
          -Math.cos(d) * Math.sin(h),
          Math.sin(d) * Math.cos(lat) - Math.cos(d) * Math.cos(h) * Math.sin(lat),
          Math.sin(d) * Math.sin(lat) + Math.cos(d) * Math.cos(h) * Math.cos(lat),
        ];
      };
      const star = enu(H0);
      for (let k = 0; k < 3; k++) expect(Math.abs(star[k]! - expected.enu[k]!)).toBeLessThan(1e-6); // stated
      const pole: V = [0, Math.cos(lat), Math.sin(lat)];
      const later = applyRotation(rotationAbout(pole, (-15.041068645 * 600) / 3600), star);
      // Camera toward the south, 25 deg up; x right is west, y down.
      const alt = 25 * rad;
      const camera = (v: readonly number[]): V => [
        -v[0]!,
        -(v[2]! * Math.cos(alt) + v[1]! * Math.sin(alt)),
        v[2]! * Math.sin(alt) - v[1]! * Math.cos(alt),
      ];
      const lens: LensModel = {
        projection: 'rectilinear',
        focalLengthPx: 5000,
        centerX: 3000,
        centerY: 2000,
        k1: 0,
        k2: 0,
      };
      for (const [v, want] of [
        [star, expected.px0],
        [later, expected.px600],
      ] as const) {
        const [x, y] = projectDirection(lens, camera(v));
        expect(Math.hypot(x - want[0], y - want[1])).toBeLessThan(1e-3); // px: the stated tolerance of the row
      }
    });
  }
});

describe('fitRotation', () => {
  const exact = rows['D-WAH-1'].expected as unknown as { a: number[][]; b: number[][]; M: number[][] };
  const noisy = rows['D-WAH-2'].expected as unknown as { b: number[][]; M: number[][] };
  it('finds the exact rotation (D-WAH-1)', () => {
    const found = fitRotation(exact.a.flat(), exact.b.flat())!;
    found.forEach((v, k) => {
      expect(Math.abs(v - exact.M.flat()[k]!)).toBeLessThan(1e-12); // stated tolerance
    });
  });
  it('finds the least-squares rotation of noisy vectors (D-WAH-2)', () => {
    const found = fitRotation(exact.a.flat(), noisy.b.flat())!;
    found.forEach((v, k) => {
      expect(Math.abs(v - noisy.M.flat()[k]!)).toBeLessThan(1e-8); // stated tolerance
    });
  });
  it('never mirrors: coplanar vectors give determinant +1', () => {
    const a = [1, 0, 0, 0, 1, 0, 0.6, 0.8, 0];
    const m = rotationAbout([1, 1, 0.3], 25);
    const b = [0, 1, 2].flatMap((k) => applyRotation(m, a.slice(3 * k, 3 * k + 3) as unknown as V));
    const r = fitRotation(a, b)!;
    const det =
      r[0]! * (r[4]! * r[8]! - r[5]! * r[7]!) -
      r[1]! * (r[3]! * r[8]! - r[5]! * r[6]!) +
      r[2]! * (r[3]! * r[7]! - r[4]! * r[6]!);
    expect(Math.abs(det - 1)).toBeLessThan(1e-12); // rounding
    r.forEach((v, k) => {
      expect(Math.abs(v - m[k]!)).toBeLessThan(1e-12); // exact data
    });
  });
});

describe('fitPlane', () => {
  it('finds the outside rigid fit (D-RIG-1)', () => {
    const { src, dst, rot_deg, t } = rows['D-RIG-1'].expected as unknown as {
      src: number[][];
      dst: number[][];
      rot_deg: number;
      t: [number, number];
    };
    const column = (list: number[][], k: number) => Float64Array.from(list, (p) => p[k]!);
    const h = fitPlane(
      { ax: column(src, 0), ay: column(src, 1), bx: column(dst, 0), by: column(dst, 1) },
      { kind: 'similarity', softness: 1 },
    )!;
    expect(Math.abs((Math.atan2(h[3]!, h[0]!) * 180) / Math.PI - rot_deg)).toBeLessThan(1e-6); // stated
    expect(Math.abs(h[2]! - t[0])).toBeLessThan(2e-6); // dst is rounded at 1e-6, a free scale carries it
    expect(Math.abs(h[5]! - t[1])).toBeLessThan(2e-6); // the same
  });
  it('recovers any moderate homography from exact places', () => {
    fc.assert(
      fc.property(
        fc.double({ min: -1, max: 1, noNaN: true }),
        fc.double({ min: -1, max: 1, noNaN: true }),
        (p, q) => {
          const h = [
            1 + 0.05 * p,
            0.03 * q,
            20 * p,
            -0.04 * p,
            1 - 0.02 * q,
            -30 * q,
            1e-5 * p,
            -1e-5 * q,
            1,
          ];
          const ax = Float64Array.from({ length: 20 }, (_, k) => (k * 379) % 1000);
          const ay = Float64Array.from({ length: 20 }, (_, k) => (k * 617) % 800);
          const moved = Array.from(ax, (x, k) => applyHomography(h, x, ay[k]!));
          const found = fitPlane(
            { ax, ay, bx: Float64Array.from(moved, (m) => m[0]), by: Float64Array.from(moved, (m) => m[1]) },
            { kind: 'homography', softness: 1 },
          )!;
          const [x, y] = applyHomography(invertHomography(found), ...applyHomography(h, 321, 123));
          expect(Math.hypot(x - 321, y - 123)).toBeLessThan(1e-6); // px: rounding of an 8 x 8 solution
        },
      ),
    );
  });
});

describe('refract', () => {
  it('is undone by unrefract above the horizon', () => {
    fc.assert(
      fc.property(
        fc.double({ min: 1, max: 89, noNaN: true }),
        fc.double({ min: 0, max: 360, noNaN: true }),
        (h, a) => {
          const rad = Math.PI / 180;
          const d: V = [
            Math.cos(h * rad) * Math.cos(a * rad),
            Math.cos(h * rad) * Math.sin(a * rad),
            Math.sin(h * rad),
          ];
          const term = [0, 0, 1, 1];
          const back = unrefract(term, refract(term, d));
          expect(Math.hypot(back[0] - d[0], back[1] - d[1], back[2] - d[2])).toBeLessThan(2e-8); // 0.004 arcsec
        },
      ),
    );
  });
});
