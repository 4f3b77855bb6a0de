import { existsSync } from 'node:fs';
import { fromFile } from 'geotiff';
import { describe, expect, it } from 'vitest';
import { gridSystem, type LightRaster, rasterValueAt } from '../../src/sky/index.js';
import { REAL } from '../support/shared.js';
import { golden } from './_golden.js';

const folder = `${REAL}/night-lights`;
const present = existsSync(folder);

const { maps } = golden<{
  maps: { file: string; values: { longitude: number; latitude: number; value: string }[] }[];
}>('sky-light-maps.json');

/** Reads a file with a general library; the product's own reader lives in `frames`. */
async function load(name: string): Promise<LightRaster> {
  const image = await (await fromFile(`${folder}/${name}`)).getImage();
  const [originLongitude, originLatitude] = image.getOrigin() as [number, number];
  const [stepLongitude, stepLatitude] = image.getResolution() as [number, number];
  const values = (await image.readRasters())[0] as ArrayLike<number>;
  const noData = image.getGDALNoData();
  return {
    width: image.getWidth(),
    height: image.getHeight(),
    values,
    ...(noData === null ? {} : { noData }),
    originLongitude,
    originLatitude,
    stepLongitude,
    stepLatitude,
    ...gridSystem(image.getGeoKeys() as Record<string, unknown>),
    unit: 'nW/cm2/sr',
  };
}

describe.skipIf(!present)(`real light maps (skipped when ${folder} is absent)`, () => {
  it.each([
    'NL_STP_VIIRS.M_201401_VCMCFG_GADM-2.8-SHPZIP.tif',
    'NL_STP_OLS.Y_1992_STABLE_LIGHTS_GADM-2.8-SHPZIP.tif',
    'ntl.tif',
  ])('%s: every pixel is found again at its center, no data is unknown', async (name) => {
    const raster = await load(name);
    expect(raster.epsg).toBe(4326);
    let known = 0;
    for (let row = 0; row < raster.height; row += 3) {
      for (let column = 0; column < raster.width; column += 3) {
        const got = rasterValueAt(raster, {
          longitude: raster.originLongitude + (column + 0.5) * raster.stepLongitude,
          latitude: raster.originLatitude + (row + 0.5) * raster.stepLatitude,
        });
        const own = raster.values[row * raster.width + column]!;
        if (own < -1e30 || own === raster.noData) {
          expect(got).toBeUndefined();
          continue;
        }
        known++;
        expect(got).toMatchObject({ column, row, nearest: own }); // exact
        expect(Math.abs(got!.value - own)).toBeLessThan(1e-4); // on the center but for rounding of the step
      }
    }
    expect(known).toBeGreaterThan(10);
  });
  it.each(maps.map((map) => [map.file, map] as const))(
    '%s reads as gdallocationinfo does',
    async (name, map) => {
      const raster = await load(name);
      for (const { longitude, latitude, value } of map.values) {
        const got = rasterValueAt(raster, { longitude, latitude });
        const wanted = Number(value);
        if (value === '' || wanted < -1e30 || wanted === raster.noData) expect(got).toBeUndefined();
        else expect(Math.abs(got!.nearest - wanted)).toBeLessThan(1e-12 + Math.abs(wanted) * 1e-13); // 15 printed digits
      }
    },
  );
  it('refuses the population raster, which is in a Mollweide projection, and says so', async () => {
    const raster = await load('pop.tif');
    expect(() => rasterValueAt(raster, { latitude: -2.5, longitude: 29.5 })).toThrow(
      'Expected a light map in longitude and latitude (EPSG:4326) but the file is in the projection Mollweide; convert it to EPSG:4326 first.',
    );
  });
});

describe('gridSystem', () => {
  it('reads area and point, geographic and projected', () => {
    expect(gridSystem({ GTModelTypeGeoKey: 2, GTRasterTypeGeoKey: 2, GeographicTypeGeoKey: 4326 })).toEqual({
      pixelIs: 'point',
      epsg: 4326,
    });
    expect(gridSystem({ GTModelTypeGeoKey: 1, GTRasterTypeGeoKey: 1, ProjectedCSTypeGeoKey: 3857 })).toEqual({
      pixelIs: 'area',
      epsg: 3857,
    });
    expect(gridSystem({})).toEqual({ pixelIs: 'area' });
    expect(gridSystem({ GTModelTypeGeoKey: 32767, GTCitationGeoKey: 'Mollweide' }).projection).toMatch(
      /Mollweide/,
    );
  });
  it('takes a no-data value written in decimal for the float32 in the pixels', () => {
    const raster: LightRaster = {
      width: 1,
      height: 1,
      values: Float32Array.of(-3.4e38),
      noData: -3.4e38,
      originLongitude: 0,
      originLatitude: 1,
      stepLongitude: 1,
      stepLatitude: -1,
      pixelIs: 'area',
      epsg: 4326,
      unit: 'ratio',
    };
    expect(rasterValueAt(raster, { latitude: 0.5, longitude: 0.5 })).toBeUndefined();
  });
});
