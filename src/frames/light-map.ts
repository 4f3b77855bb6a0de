import { FormatError } from '../core/index.js';
import { gridSystem, type LightRaster, type Position } from '../sky/index.js';

/** A file that is read here and there, never as a whole: maps of the world are gigabytes. */
export interface RandomRead {
  readonly size: number;
  /** Bytes from `offset` on; fewer at the end of the file. */
  readonly read: (offset: number, length: number) => Promise<Uint8Array>;
}

/** Pixels kept on each side of the one that holds the place. */
const MARGIN = 2;

/** A block of a GeoTIFF larger than this is no light map that anyone made. */
const MOST_BYTES = 256e6;

type Grid = Omit<LightRaster, 'values' | 'unit'>;

/**
 * Reads the few pixels of a GeoTIFF around a place. A map in another projection comes back without pixels, for
 * `rasterValueAt` to refuse by name.
 *
 * @param path for messages
 * @returns undefined when the map does not cover the place
 * @throws {FormatError} UNKNOWN_FORMAT, CORRUPT, TOO_LARGE
 * @source OGC GeoTIFF 1.1 (19-008r4): ModelTiepoint, ModelPixelScale, GeoKeys; GDAL_NODATA tag 42113
 */
export async function readLightMap(
  source: RandomRead,
  path: string,
  place: Position,
): Promise<Omit<LightRaster, 'unit'> | undefined> {
  try {
    // Asked for only here: its own worker helper stops any thread that loads it.
    const { GeoTIFF } = await import('geotiff');
    const tiff = await GeoTIFF.fromSource(sliced(source) as never);
    const image = await tiff.getImage();
    const keys = image.getGeoKeys();
    if (!keys) {
      throw new FormatError(
        'UNKNOWN_FORMAT',
        `Expected a GeoTIFF that says where on the earth it lies but ${path} holds no such keys; export the map as GeoTIFF in longitude and latitude.`,
        { path },
      );
    }
    const [originLongitude, originLatitude] = image.getOrigin() as [number, number];
    const [stepLongitude, stepLatitude] = image.getResolution() as [number, number];
    const noData = image.getGDALNoData();
    const grid: Grid = {
      ...{ width: image.getWidth(), height: image.getHeight() },
      ...{ originLongitude, originLatitude, stepLongitude, stepLatitude },
      ...gridSystem(keys as Record<string, unknown>),
      ...(noData === null ? {} : { noData }),
    };
    if (grid.projection !== undefined || keys.GTModelTypeGeoKey !== 2) return { ...grid, values: [] };
    const window = windowAround(grid, place);
    if (!window) return undefined;
    const rasters = await image.readRasters({ window: [...window], samples: [0] });
    const [x0, y0, x1, y1] = window;
    return {
      ...grid,
      ...{ width: x1 - x0, height: y1 - y0 },
      values: (rasters as unknown as ArrayLike<number>[])[0]!,
      originLongitude: originLongitude + x0 * stepLongitude,
      originLatitude: originLatitude + y0 * stepLatitude,
    };
  } catch (error) {
    if (error instanceof FormatError) throw error;
    const said = error instanceof Error ? error.message : String(error);
    throw new FormatError(
      /byte order|magic|not a TIFF|Invalid/i.test(said) ? 'UNKNOWN_FORMAT' : 'CORRUPT',
      `Expected a GeoTIFF at ${path} but it cannot be read (${said.split('\n')[0]!.slice(0, 120)}); give a light map saved as GeoTIFF.`,
      { path, cause: error },
    );
  }
}

/** First and last-but-one column and row around the pixel that holds a place; undefined outside the grid. */
function windowAround(grid: Grid, place: Position): readonly [number, number, number, number] | undefined {
  const corner = grid.pixelIs === 'point' ? 0.5 : 0;
  const column = [0, 360, -360]
    .map((turn) =>
      Math.floor((place.longitude + turn - grid.originLongitude) / grid.stepLongitude + corner + 1e-9),
    )
    .find((at) => at >= 0 && at < grid.width);
  const row = Math.floor((place.latitude - grid.originLatitude) / grid.stepLatitude + corner + 1e-9);
  if (column === undefined || !(row >= 0 && row < grid.height)) return undefined;
  return [
    Math.max(0, column - MARGIN),
    Math.max(0, row - MARGIN),
    Math.min(grid.width, column + MARGIN + 1),
    Math.min(grid.height, row + MARGIN + 1),
  ];
}

/** The library's view of a file: slices on request, each held against the file's size before it is read. */
function sliced(source: RandomRead) {
  const fetchSlice = async ({ offset, length }: { offset: number; length: number }) => {
    if (length > MOST_BYTES) {
      throw new FormatError(
        'TOO_LARGE',
        `Expected a map in blocks of at most ${MOST_BYTES / 1e6} MB but one has ${(length / 1e6).toFixed(0)} MB; save it as a tiled GeoTIFF.`,
      );
    }
    const bytes = offset >= source.size ? new Uint8Array(0) : await source.read(offset, length);
    const data = new ArrayBuffer(bytes.byteLength);
    new Uint8Array(data).set(bytes);
    return { offset, length, data };
  };
  return {
    fileSize: source.size,
    fetchSlice,
    fetch: (slices: readonly { offset: number; length: number }[]) =>
      Promise.all(slices.map(async (slice) => (await fetchSlice(slice)).data)),
    close: async () => {},
  };
}
