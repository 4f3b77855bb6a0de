import { open } from 'node:fs/promises';
import { basename, resolve } from 'node:path';
import { InputError } from '../core/index.js';
import { readLightMap } from '../frames/index.js';
import { storageError } from '../library/index.js';
import { brightnessOfRasterValue, type Position, type RasterUnit, rasterValueAt } from '../sky/index.js';

/** A light map that the photographer points to. */
export interface LightMapChoice {
  /** A GeoTIFF. */
  readonly file: string;
  /** What its numbers mean. */
  readonly unit: RasterUnit;
}

/** What a map says of a place. */
export interface MapReading {
  /** Zenith brightness, mag/arcsec2; absent for ground radiance, from which none follows. */
  readonly brightness?: number;
  /** The map's own number, between its pixels. */
  readonly value: number;
  readonly unit: RasterUnit;
  /** Where it is from, in words. */
  readonly source: string;
}

/**
 * Reads a place off a light map; only the few pixels around it are read.
 *
 * @throws {InputError} VALUE_NOT_UNDERSTOOD: another projection; VALUE_OUT_OF_RANGE: the place is not on the map,
 *   or its pixel holds no data
 * @throws {FormatError} a file that is no GeoTIFF
 * @throws {StorageError} a file that cannot be read
 */
export async function readPlaceOffMap(choice: LightMapChoice, place: Position): Promise<MapReading> {
  const file = resolve(choice.file);
  const handle = await open(file, 'r').catch((error: unknown) => {
    throw storageError(error, file, 'read the light map');
  });
  try {
    const { size } = await handle.stat();
    const read = async (offset: number, length: number) => {
      const buffer = new Uint8Array(Math.max(0, Math.min(length, size - offset)));
      const { bytesRead } = await handle.read(buffer, 0, buffer.length, offset);
      return buffer.subarray(0, bytesRead);
    };
    const raster = await readLightMap({ size, read }, file, place);
    const found = raster && rasterValueAt({ ...raster, unit: choice.unit }, place);
    if (!found) {
      throw new InputError(
        'VALUE_OUT_OF_RANGE',
        `Expected a light map that covers ${place.latitude},${place.longitude} but ${basename(file)} ${raster ? 'holds no data there' : 'does not reach there'}; use another map, or type what your meter says with --sky.`,
      );
    }
    const brightness = brightnessOfRasterValue(found.value, choice.unit);
    return {
      ...(brightness === undefined ? {} : { brightness }),
      value: found.value,
      unit: choice.unit,
      source: `the map ${basename(file)}`,
    };
  } finally {
    await handle.close();
  }
}

/** What is said of a map that tells no sky brightness. */
export const groundLightNote = ({ value, source }: MapReading): string =>
  `Light that leaves the ground here, by ${source}: ${Number(value.toPrecision(3))} nW/(cm2 sr). It tells of lamps nearby; how bright the sky is does not follow from it.`;
