import { InputError } from '../core/index.js';
import { checkPosition, type Position } from './coordinates.js';
import { brightnessOfArtificial, brightnessOfRatio } from './sky-brightness.js';

/** What the numbers of a raster mean. */
export type RasterUnit =
  /** Artificial zenith brightness, mcd/m2. */
  | 'mcd/m2'
  /** Artificial over natural zenith brightness. */
  | 'ratio'
  /** Zenith brightness, artificial and natural together, mag/arcsec2. */
  | 'mag/arcsec2'
  /** Light that leaves the ground, nW/(cm2 sr): no sky brightness follows from one such value. */
  | 'nW/cm2/sr';

/** A decoded raster on a grid of longitude and latitude. */
export interface LightRaster {
  readonly width: number;
  readonly height: number;
  /** Row-major, first row first. NaN = no data. */
  readonly values: ArrayLike<number>;
  /** Value that means "no data", as the file states it. */
  readonly noData?: number;
  /** Coordinates of the raster's tie: the corner of the first pixel (area) or its center (point), deg. */
  readonly originLongitude: number;
  readonly originLatitude: number;
  /** Step to the next column and to the next row, deg; rows that run south have a negative step. */
  readonly stepLongitude: number;
  readonly stepLatitude: number;
  /** Whether the tie names a pixel's corner or its center. @source OGC 19-008r4, GTRasterTypeGeoKey */
  readonly pixelIs: 'area' | 'point';
  /** EPSG code of the coordinate system; absent when the file names none (32767 in its keys: user-defined). */
  readonly epsg?: number;
  /** Name of the projection as the file gives it, for the message when it is refused. */
  readonly projection?: string;
  readonly unit: RasterUnit;
}

/** EPSG codes of plain longitude and latitude in deg. WGS 84, WGS 72, NAD83, ETRS89: within 2 m of each other but WGS 72 (17 m). */
const GEOGRAPHIC = [4326, 4322, 4269, 4258];

/**
 * What a GeoTIFF's keys say of its grid. A projected or user-defined system is named and left to be refused.
 * @source OGC 19-008r4: GTModelTypeGeoKey 1 projected, 2 geographic; 32767 user-defined; GTRasterTypeGeoKey 1 area, 2 point
 */
export function gridSystem(
  geoKeys: Readonly<Record<string, unknown>>,
): Pick<LightRaster, 'epsg' | 'projection' | 'pixelIs'> {
  const code = (name: string): number | undefined => {
    const value = geoKeys[name];
    return typeof value === 'number' && value > 0 && value < 32_767 ? value : undefined;
  };
  const pixelIs = geoKeys.GTRasterTypeGeoKey === 2 ? 'point' : 'area';
  const geographic = geoKeys.GTModelTypeGeoKey === 2;
  const epsg = code(geographic ? 'GeographicTypeGeoKey' : 'ProjectedCSTypeGeoKey');
  const citation = geoKeys.GTCitationGeoKey;
  const projection =
    !geographic && typeof citation === 'string' && citation.trim() !== ''
      ? `the projection ${citation.replaceAll('|', ' ').trim()}`
      : undefined;
  return {
    pixelIs,
    ...(epsg === undefined ? {} : { epsg }),
    ...(projection === undefined ? {} : { projection }),
  };
}

/** A raster's answer for a position. */
export interface RasterValue {
  /** Bilinear between pixel centers, over those neighbors that have data. */
  readonly value: number;
  /** The pixel that holds the position. */
  readonly nearest: number;
  readonly column: number;
  readonly row: number;
}

function checkRaster(raster: LightRaster): void {
  if (raster.epsg === undefined || !GEOGRAPHIC.includes(raster.epsg)) {
    const named = raster.projection ?? (raster.epsg === undefined ? undefined : `EPSG:${raster.epsg}`);
    const found = named === undefined ? 'names no coordinate system' : `is in ${named}`;
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected a light map in longitude and latitude (EPSG:4326) but the file ${found}; convert it to EPSG:4326 first.`,
      { details: { epsg: raster.epsg ?? null } },
    );
  }
  const sound =
    raster.width >= 1 &&
    raster.height >= 1 &&
    raster.values.length >= raster.width * raster.height &&
    [raster.originLongitude, raster.originLatitude].every(Number.isFinite) &&
    [raster.stepLongitude, raster.stepLatitude].every((step) => Number.isFinite(step) && step !== 0);
  if (!sound) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      'Expected a light map with a grid and its position but found neither whole.',
    );
  }
}

/**
 * Reads a raster at a position. The left and top edges belong to the raster, the right and bottom ones do
 * not. Undefined outside it and where the pixel has no data: unknown, never dark.
 *
 * @throws {InputError} VALUE_NOT_UNDERSTOOD when the raster is not in longitude and latitude
 */
export function rasterValueAt(raster: LightRaster, position: Position): RasterValue | undefined {
  checkRaster(raster);
  checkPosition(position);
  const corner = raster.pixelIs === 'point' ? 0.5 : 0;
  // Pixels from the corner of the first one; 1e-9 px takes up the last bit of a step such as 1/120.
  const across = (longitude: number): number =>
    (longitude - raster.originLongitude) / raster.stepLongitude + corner + 1e-9;
  // A raster may count longitude from 0 to 360, or start a little west of -180.
  const x =
    [0, 360, -360].map((turn) => across(position.longitude + turn)).find((c) => c >= 0 && c < raster.width) ??
    Number.NaN;
  const y = (position.latitude - raster.originLatitude) / raster.stepLatitude + corner + 1e-9;
  if (!(x >= 0 && x < raster.width && y >= 0 && y < raster.height)) return undefined;
  const [column, row] = [Math.floor(x), Math.floor(y)];
  // Files write the value in decimal, the pixels hold it as float32; -3.4e38 and its kin are one idea.
  const missing = new Set(raster.noData === undefined ? [] : [raster.noData, Math.fround(raster.noData)]);
  const pixel = (c: number, r: number): number | undefined => {
    if (c < 0 || c >= raster.width || r < 0 || r >= raster.height) return undefined;
    const value = raster.values[r * raster.width + c]!;
    return Number.isFinite(value) && !missing.has(value) ? value : undefined;
  };
  const nearest = pixel(column, row);
  if (nearest === undefined) return undefined;
  const [c0, r0] = [Math.floor(x - 0.5), Math.floor(y - 0.5)];
  const [u, v] = [x - 0.5 - c0, y - 0.5 - r0];
  let sum = 0;
  let weight = 0;
  for (const [dc, dr, w] of [
    [0, 0, (1 - u) * (1 - v)],
    [1, 0, u * (1 - v)],
    [0, 1, (1 - u) * v],
    [1, 1, u * v],
  ] as const) {
    const value = pixel(c0 + dc, r0 + dr);
    if (value === undefined) continue;
    sum += w * value;
    weight += w;
  }
  return { value: weight > 0 ? sum / weight : nearest, nearest, column, row };
}

/** Zenith brightness, mag/arcsec2, that a raster's value stands for; undefined for ground radiance, and for a value below zero. */
export function brightnessOfRasterValue(value: number, unit: RasterUnit): number | undefined {
  if (unit === 'nW/cm2/sr' || !(value >= 0)) return undefined;
  if (unit === 'mag/arcsec2') return value;
  return unit === 'ratio' ? brightnessOfRatio(value) : brightnessOfArtificial(value / 1000);
}
