import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { writeArrayBuffer } from 'geotiff';
import { describe, expect, it } from 'vitest';
import { readLightMap } from '../../src/frames/index.js';
import { brightnessOfArtificial, rasterValueAt } from '../../src/sky/index.js';
import { readPlaceOffMap } from '../../src/workflow/_light-map.js';
import { newPlan } from '../../src/workflow/plan.js';
import { addSite } from '../../src/workflow/sites.js';
import { scratch } from '../library/_card.js';
import { golden } from '../sky/_golden.js';
import { hasReal, REAL, WITHOUT_REAL } from '../support/shared.js';
import { contextOf } from './_fake-intake.js';

const [WIDTH, HEIGHT, STEP] = [60, 40, 0.25];
const [WEST, NORTH] = [15, -25];
/** Artificial brightness, mcd/m2, at a pixel; one pixel holds no data. */
const lightAt = (column: number, row: number) =>
  column === 5 && row === 5 ? -999 : 0.01 * column + 0.1 * row;

function mapFile(
  folder: string,
  keys: object = { GTModelTypeGeoKey: 2, GeographicTypeGeoKey: 4326 },
): string {
  const values = Float32Array.from({ length: WIDTH * HEIGHT }, (_, i) =>
    lightAt(i % WIDTH, Math.floor(i / WIDTH)),
  );
  const bytes = writeArrayBuffer(values, {
    ...{ width: WIDTH, height: HEIGHT, GTRasterTypeGeoKey: 1, GDAL_NODATA: '-999' },
    ModelPixelScale: [STEP, STEP, 0],
    ModelTiepoint: [0, 0, 0, WEST, NORTH, 0],
    ...keys,
  } as never);
  const file = join(folder, 'lights.tif');
  writeFileSync(file, new Uint8Array(bytes as ArrayBuffer));
  return file;
}

/** The middle of a pixel. */
const centerOf = (column: number, row: number) => ({
  longitude: WEST + (column + 0.5) * STEP,
  latitude: NORTH - (row + 0.5) * STEP,
});

describe('a light map that the photographer points to', () => {
  it('gives the sky of a site and of a plan, and says which map it is from', async () => {
    const base = scratch();
    const context = contextOf(join(base, 'library'));
    const lightMap = { file: mapFile(base), unit: 'mcd/m2' } as const;
    const at = centerOf(20, 30);
    const site = await addSite(context, { name: 'Far Hill', at, lightMap });
    // 0.2 + 3 mcd/m2 of artificial light over the natural 174 ucd/m2 (checks section E).
    expect(site.skyBrightness).toBeCloseTo(brightnessOfArtificial(3.2e-3), 5); // float32 pixels
    expect(site.skySource).toBe('the map lights.tif');
    const planned = await newPlan(context, { site: 'Far Hill', night: '2026-08-14' });
    expect(planned.facts.sky.brightness).toBeCloseTo(site.skyBrightness!, 9);
    expect(planned.facts.sky.source).toContain('the map lights.tif');
    const elsewhere = centerOf(40, 10);
    const own = await newPlan(context, { at: elsewhere, night: '2026-08-14', lightMap });
    expect(own.facts.sky.brightness).toBeCloseTo(brightnessOfArtificial(1.4e-3), 5);
    const metered = await newPlan(context, { site: 'Far Hill', night: '2026-08-15', skyBrightness: 21.4 });
    expect(metered.facts.sky).toMatchObject({
      brightness: 21.4,
      source: expect.stringContaining('your meter'),
    });
  });

  it('of ground light tells no sky brightness, and that is said', async () => {
    const base = scratch();
    const context = contextOf(join(base, 'library'));
    const lightMap = { file: mapFile(base), unit: 'nW/cm2/sr' } as const;
    const site = await addSite(context, { name: 'Far Hill', at: centerOf(20, 30), lightMap });
    expect(site.skyBrightness).toBeUndefined();
    expect(site.note).toContain('3.2 nW/(cm2 sr)');
    const { facts } = await newPlan(context, { site: 'Far Hill', night: '2026-08-14', lightMap });
    expect(facts.sky.brightness).toBeUndefined();
    expect(facts.notes.join()).toContain('how bright the sky is does not follow from it');
  });

  it('that does not reach, holds no data, is in another projection or is no map is refused in one sentence', async () => {
    const base = scratch();
    const context = contextOf(join(base, 'library'));
    const file = mapFile(base);
    const add = (choice: { file: string }, at: { latitude: number; longitude: number }) =>
      addSite(context, { name: 'X', at, lightMap: { ...choice, unit: 'mcd/m2' } });
    await expect(add({ file }, { latitude: 48, longitude: 11 })).rejects.toMatchObject({
      ...{ code: 'VALUE_OUT_OF_RANGE', message: expect.stringContaining('does not reach there') },
    });
    await expect(add({ file }, centerOf(5, 5))).rejects.toMatchObject({
      ...{ code: 'VALUE_OUT_OF_RANGE', message: expect.stringContaining('holds no data there') },
    });
    const mercator = mapFile(base, { GTModelTypeGeoKey: 1, ProjectedCSTypeGeoKey: 3857 });
    await expect(add({ file: mercator }, centerOf(20, 30))).rejects.toMatchObject({
      ...{ code: 'VALUE_NOT_UNDERSTOOD', message: expect.stringContaining('EPSG:3857') },
    });
    const words = join(base, 'notes.tif');
    writeFileSync(words, 'no map at all, only words');
    await expect(add({ file: words }, centerOf(20, 30))).rejects.toMatchObject({ name: 'FormatError' });
    await expect(add({ file: join(base, 'gone.tif') }, centerOf(20, 30))).rejects.toMatchObject({
      name: 'StorageError',
    });
  });

  it('cut anywhere ends in a sentence, never in a crash', async () => {
    const base = scratch();
    const bytes = readFileSync(mapFile(base));
    for (let n = 0; n < 40; n++) {
      const cut = bytes.subarray(0, Math.floor((bytes.length * n) / 40));
      const source = { size: cut.length, read: async (o: number, l: number) => cut.subarray(o, o + l) };
      const read = readLightMap(source, 'cut.tif', centerOf(20, 39)).then(
        (raster) => raster && rasterValueAt({ ...raster, unit: 'mcd/m2' }, centerOf(20, 39)),
      );
      await read.catch((error: unknown) => expect(error).toMatchObject({ name: 'FormatError' }));
    }
  });

  it('reads a few pixels, not the file', async () => {
    const base = scratch();
    const bytes = readFileSync(mapFile(base));
    let asked = 0;
    const read = async (offset: number, length: number) => {
      asked += length;
      return bytes.subarray(offset, offset + length);
    };
    const raster = await readLightMap({ size: bytes.length, read }, 'a.tif', centerOf(20, 30));
    expect([raster!.width, raster!.height]).toEqual([5, 5]);
    expect(asked).toBeLessThan(2 * bytes.length); // this small file has one strip; what it holds is read once
  });
});

describe.skipIf(!hasReal)(`real light maps (${hasReal ? 'present' : WITHOUT_REAL})`, () => {
  const { maps } = golden<{
    maps: { file: string; values: { longitude: number; latitude: number; value: string }[] }[];
  }>('sky-light-maps.json');

  it.each(maps.map((map) => [map.file, map] as const))(
    '%s reads as gdallocationinfo does',
    async (name, map) => {
      for (const place of map.values) {
        const wanted = Number(place.value);
        const file = join(REAL, 'night-lights', name);
        const bytes = readFileSync(file);
        const source = { size: bytes.length, read: async (o: number, l: number) => bytes.subarray(o, o + l) };
        const raster = await readLightMap(source, file, place);
        const got = raster && rasterValueAt({ ...raster, unit: 'nW/cm2/sr' }, place);
        if (place.value === '' || wanted < -1e30 || wanted === raster?.noData) expect(got).toBeUndefined();
        else expect(Math.abs(got!.nearest - wanted)).toBeLessThan(1e-12 + Math.abs(wanted) * 1e-13); // 15 printed digits
      }
    },
  );

  it('the population map, in a Mollweide projection, is refused by name', async () => {
    await expect(
      readPlaceOffMap(
        { file: join(REAL, 'night-lights', 'pop.tif'), unit: 'ratio' },
        { latitude: -3, longitude: 29.5 },
      ),
    ).rejects.toMatchObject({ code: 'VALUE_NOT_UNDERSTOOD', message: expect.stringMatching(/mollweide/i) });
  });
});
