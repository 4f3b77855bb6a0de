import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  atlasLuminanceOf,
  brightnessOfArtificial,
  brightnessOfLuminance,
  brightnessOfNakedEyeLimit,
  brightnessOfNanolambert,
  brightnessOfRasterValue,
  brightnessOfRatio,
  CLASS_TABLES,
  classOfNakedEyeLimit,
  IMPACT_LEVELS,
  impactLevel,
  type LightRaster,
  luminanceOf,
  moonlight,
  NATURAL_LUMINANCE,
  nakedEyeLimit,
  nanolambertOf,
  rasterValueAt,
  skyClass,
} from '../../src/sky/index.js';
import { type Row, rowsOf } from './_golden.js';

const rows = rowsOf('sky-brightness.json');
const off = (a: number, b: number): number => Math.abs(a - b);
const relative = (a: number, b: number): number => Math.abs(a / b - 1);

/** The raster of E-GT-1, by corner or by center. */
const raster = (pixelIs: 'area' | 'point'): LightRaster => ({
  width: 20,
  height: 10,
  values: Float32Array.from({ length: 200 }, (_, i) => (i === 199 ? -9999 : i / 100)),
  noData: -9999,
  originLongitude: pixelIs === 'area' ? -20 : -19.75,
  originLatitude: pixelIs === 'area' ? 45 : 44.75,
  stepLongitude: 0.5,
  stepLatitude: -0.5,
  pixelIs,
  epsg: 4326,
  unit: 'mcd/m2',
});

const computed: Record<string, (row: Row) => void> = {
  'E-WA-1': () => {
    const limits = IMPACT_LEVELS.flatMap(({ upTo }) => (upTo === undefined ? [] : [upTo * 1e6]));
    expect(limits.map((v) => Number(v.toFixed(6)))).toEqual([1.7, 14, 87, 688, 3000]); // ucd/m2, as published
    expect(impactLevel(0).level).toBe(0);
    expect(impactLevel(50e-6).level).toBe(2);
    expect(impactLevel(0.01).level).toBe(5);
    expect(off(brightnessOfArtificial(688e-6), 20.26)).toBeLessThan(0.005); // printed decimals
  },
  'E-BO-1': () => {
    for (const [limit, wanted] of [
      [7.8, 1],
      [7.3, 2],
      [6.8, 3],
      [6.3, 4],
      [5.8, 5],
      [5.3, 6],
      [5, 7],
      [4.5, 8],
      [4, 9],
    ] as const) {
      expect(classOfNakedEyeLimit(limit)).toBe(wanted);
    }
  },
  'E-BO-2': () => {
    const wanted = [
      [22.1, '1'],
      [21.9, '2'],
      [21.7, '3'],
      [20.5, '4'],
      [19.6, '5'],
      [19, '6'],
      [18.4, '7'],
      [18, '8 or 9'],
    ] as const;
    for (const [sky, name] of wanted) expect(skyClass(sky, 'T1')).toBe(name);
  },
  'E-BO-3': () => {
    const wanted = [
      [21.9, '1'],
      [21.6, '2'],
      [21.4, '3'],
      [21, '4'],
      [20, '5'],
      [18.5, '6 or 7'],
      [17, '8 or 9'],
    ] as const;
    for (const [sky, name] of wanted) expect(skyClass(sky, 'T2')).toBe(name);
  },
  'E-BO-4': () => {
    const wanted = [
      [21.7, '1'],
      [21.55, '2'],
      [21.4, '3'],
      [21, '4'],
      [20.5, '4.5'],
      [19.5, '5'],
      [18.5, '6 or 7'],
      [17, '8 or 9'],
    ] as const;
    for (const [sky, name] of wanted) expect(skyClass(sky, 'T3')).toBe(name);
    // One sky, three tables: a class is a hint.
    expect(CLASS_TABLES.map(({ id }) => skyClass(21.6, id))).toEqual(['4', '2', '2']);
  },
  'E-NL-1': () => {
    expect(relative(nanolambertOf(21.587), 79.006)).toBeLessThan(1e-4); // stated
    expect(relative(nanolambertOf(22), 54.008)).toBeLessThan(1e-4);
    expect(off(brightnessOfNanolambert(nanolambertOf(21.3)), 21.3)).toBeLessThan(1e-9); // its own inverse
  },
  'E-GT-1': (row) => {
    for (const point of row.expected as { lon: number; lat: number; area: string; point: string }[]) {
      for (const kind of ['area', 'point'] as const) {
        const got = rasterValueAt(raster(kind), { latitude: point.lat, longitude: point.lon });
        const wanted = point[kind];
        if (wanted === '' || wanted === '-9999') expect(got).toBeUndefined();
        else expect(got!.nearest).toBe(Math.fround(Number(wanted))); // the pixel's own float32, exact
      }
    }
  },
  'E-GT-2': () => {
    const world: LightRaster = {
      ...raster('area'),
      width: 43_200,
      height: 16_800,
      values: { length: 43_200 * 16_800 },
      originLongitude: -180,
      originLatitude: 85,
      stepLongitude: 1 / 120,
      stepLatitude: -1 / 120,
    };
    // Only one pixel holds anything: if it is found, column and row are right.
    const values: ArrayLike<number> = new Proxy(
      { length: 43_200 * 16_800 },
      {
        get: (target, key) =>
          key === 'length' ? target.length : Number(key) === 6748 * 43_200 + 19_454 ? 1 : Number.NaN,
      },
    );
    const got = rasterValueAt({ ...world, values }, { latitude: 28.76, longitude: -17.88 });
    expect(got).toMatchObject({ column: 19_454, row: 6748, nearest: 1 }); // exact
  },
};

for (const row of rows.values()) {
  const { id } = row;
  const wanted = row.expected as Record<string, number>;
  if (id.startsWith('E-SQ-')) {
    computed[id] = () => {
      const sky = Number(row.inputs);
      expect(relative(luminanceOf(sky) * 1e6, wanted.ucd_m2!)).toBeLessThan(1e-5); // printed decimals; stated 0.1 %
      expect(relative(atlasLuminanceOf(sky) * 1e6, wanted.with_174_zero_point!)).toBeLessThan(1e-5);
      expect(off(brightnessOfLuminance(luminanceOf(sky)), sky)).toBeLessThan(1e-9); // its own inverse
    };
  } else if (id.startsWith('E-RA-')) {
    computed[id] = () => {
      const ratio = row.inputs as number;
      expect(off(brightnessOfRatio(ratio), wanted.sqm!)).toBeLessThan(1e-4); // printed decimals; stated 1e-3
      expect(off(ratio * NATURAL_LUMINANCE * 1e6, wanted.artificial_ucd!)).toBeLessThan(1e-6); // rounding
    };
  } else if (id.startsWith('E-AT-')) {
    computed[id] = () => {
      const artificial = (row.inputs as number) / 1000;
      expect(off(brightnessOfArtificial(artificial), wanted.with_0_174!)).toBeLessThan(1e-3); // stated
      expect(off(brightnessOfArtificial(artificial, 171.168465e-6), wanted.with_0_171168465!)).toBeLessThan(
        1e-3,
      );
      expect(brightnessOfRasterValue(row.inputs as number, 'mcd/m2')).toBeCloseTo(
        brightnessOfArtificial(artificial),
        12, // the same formula
      );
    };
  } else if (id.startsWith('E-NE-')) {
    computed[id] = () => {
      const sky = Number(row.inputs);
      expect(off(nakedEyeLimit(sky), row.expected as number)).toBeLessThan(1e-4); // printed decimals; stated 1e-3
      expect(off(brightnessOfNakedEyeLimit(nakedEyeLimit(sky)), sky)).toBeLessThan(0.001); // the note: agrees to 0.001
    };
  } else if (id.startsWith('E-KS-')) {
    computed[id] = () => {
      const { alpha, rho, Zm, Z, k, V0zen } = row.inputs as Record<string, number>;
      const got = moonlight({
        phaseAngle: alpha!,
        separation: rho!,
        moonZenithDistance: Zm!,
        fieldZenithDistance: Z!,
        extinction: k!,
        zenithBrightness: V0zen!,
      });
      expect(relative(got.moonNanolambert, wanted.Bmoon_nL!)).toBeLessThan(1e-5); // stated
      expect(relative(got.darkNanolambert, wanted.B0_nL!)).toBeLessThan(1e-5);
      expect(relative(got.moonlitBrightness, wanted.V_total!)).toBeLessThan(1e-5);
      expect(relative(-got.brightening, wanted.dV!)).toBeLessThan(1e-5);
    };
  }
}

describe('sky brightness and moonlight', () => {
  it('has an answer for every row', () => {
    expect(Object.keys(computed).sort()).toEqual([...rows.keys()].sort());
  });
  it.each([...rows.keys()])('%s', (id) => computed[id]!(rows.get(id)!));
  it('reads the naked-eye limit backwards as published', () => {
    for (const [limit, sky] of [
      [6.5, 21.733],
      [6, 20.8],
      [5, 19.302],
      [4, 18.038],
    ] as const) {
      expect(off(brightnessOfNakedEyeLimit(limit), sky)).toBeLessThan(0.001); // printed decimals
    }
  });
  it('refuses a brightness that no sky has', () => {
    for (const bad of [Number.NaN, 30, -1]) {
      expect(() => luminanceOf(bad)).toThrow(expect.objectContaining({ code: 'VALUE_OUT_OF_RANGE' }));
      expect(() => skyClass(bad)).toThrow(expect.objectContaining({ code: 'VALUE_OUT_OF_RANGE' }));
    }
  });
});

describe('moonlight', () => {
  it('is none with the moon below the horizon, and finite everywhere', () => {
    fc.assert(
      fc.property(
        fc.record({
          phaseAngle: fc.double({ min: 0, max: 180, noNaN: true }),
          separation: fc.double({ min: 0, max: 180, noNaN: true }),
          moonZenithDistance: fc.double({ min: 0, max: 180, noNaN: true }),
          fieldZenithDistance: fc.double({ min: 0, max: 90, noNaN: true }),
          zenithBrightness: fc.double({ min: 17, max: 22.2, noNaN: true }),
        }),
        (input) => {
          const got = moonlight(input);
          for (const value of Object.values(got)) expect(Number.isFinite(value)).toBe(true);
          expect(got.brightening).toBeGreaterThanOrEqual(0);
          if (input.moonZenithDistance > 90) expect(got.moonNanolambert).toBe(0);
        },
      ),
    );
  });
});

describe('rasterValueAt', () => {
  it('runs straight between pixel centers', () => {
    // Centers (-19.75, 44.75) = 0 and (-19.25, 44.75) = 0.01, next row 0.20 and 0.21.
    const at = (longitude: number, latitude: number) =>
      rasterValueAt(raster('area'), { latitude, longitude })!.value;
    expect(at(-19.75, 44.75)).toBeCloseTo(0, 8); // on a center; float32 values
    expect(at(-19.5, 44.75)).toBeCloseTo(0.005, 8);
    expect(at(-19.5, 44.5)).toBeCloseTo(0.105, 8);
    expect(at(-19.99, 44.99)).toBeCloseTo(0, 8); // beyond the outermost centers the edge value holds
  });
  it('leaves out neighbors without data instead of reading them as dark or as -9999', () => {
    const got = rasterValueAt(raster('area'), { latitude: 40.26, longitude: -10.51 })!;
    expect(got.value).toBeGreaterThan(1.7);
    expect(got.value).toBeLessThan(2);
  });
  it('finds a site west of 180 deg in a map that counts from 0 to 360', () => {
    const east: LightRaster = { ...raster('area'), originLongitude: 300 };
    expect(rasterValueAt(east, { latitude: 44.9, longitude: -59.9 })!.nearest).toBe(0);
  });
  it('refuses another projection and a map without one, in one sentence', () => {
    const somewhere = { latitude: 42, longitude: -15 };
    expect(() => rasterValueAt({ ...raster('area'), epsg: 3857 }, somewhere)).toThrow(
      /Expected a light map in longitude and latitude \(EPSG:4326\) but the file is in EPSG:3857/,
    );
    const { epsg: _, ...unnamed } = raster('area');
    expect(() => rasterValueAt(unnamed, somewhere)).toThrow(
      expect.objectContaining({ code: 'VALUE_NOT_UNDERSTOOD' }),
    );
    expect(() => rasterValueAt({ ...raster('area'), stepLatitude: 0 }, somewhere)).toThrow(
      expect.objectContaining({ code: 'VALUE_NOT_UNDERSTOOD' }),
    );
  });
  it('turns no ground radiance into a sky brightness', () => {
    expect(brightnessOfRasterValue(3, 'nW/cm2/sr')).toBeUndefined();
    expect(brightnessOfRasterValue(-1, 'ratio')).toBeUndefined();
    expect(brightnessOfRasterValue(21.4, 'mag/arcsec2')).toBe(21.4);
  });
});
