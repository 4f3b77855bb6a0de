import { readFile } from 'node:fs/promises';
import { type Alignment, predictedPositions, unprojectPixel } from '../alignment/index.js';
import { degToRad, radToDeg, STAR_FLAGS, type StarTable, unpackStarTable } from '../core/index.js';
import type { KnownStars } from '../finishing/index.js';
import { airmass, starCatalogue } from '../sky/index.js';
import type { StarLight } from '../stacking/index.js';
import type { SkyPointing } from './_sky-pointing.js';

/** deg by which a star may miss its catalogue place. */
const REACH = 0.06;

/** deg within which a second catalogue star of like light makes a star's own unknown, and what counts as like, mag. */
const CROWDED = 0.09;
const ALIKE = 2.5;

/** What spoils a star's light. */
const SPOILT =
  STAR_FLAGS.SATURATED.bit | STAR_FLAGS.NEAR_EDGE.bit | STAR_FLAGS.ON_LAND.bit | STAR_FLAGS.SHAPE_FAILED.bit;

/**
 * Reads the light of the run's stars in some of its frames, each beside the catalogue's.
 *
 * @param tables path of the star table and index in the alignment of each frame; one that is gone is left out
 */
export async function starLight(
  alignment: Alignment,
  pointing: SkyPointing,
  tables: readonly { readonly path: string; readonly index: number }[],
): Promise<StarLight> {
  const { trackCount, trackRows } = alignment;
  const stars = cataloguedStars(alignment, pointing);
  const rows: { star: number; frame: number; x: number; y: number; flux: number; airmass: number }[] = [];
  for (const [frame, { path, index }] of tables.entries()) {
    const table = await readFile(path).then(unpackStarTable, () => undefined);
    if (!table) continue;
    const { x, y } = predictedPositions(alignment, index);
    for (let star = 0; star < trackCount; star++) {
      const row = trackRows[index * trackCount + star]!;
      if (row < 0 || Number.isNaN(stars.magnitude[star]!) || isSpoilt(table, row)) continue;
      const place = { x: x[star]!, y: y[star]! };
      rows.push({ star, frame, ...place, flux: table.flux[row]!, airmass: airAt(pointing, place) });
    }
  }
  return {
    star: Int32Array.from(rows, (row) => row.star),
    frame: Int32Array.from(rows, (row) => row.frame),
    x: Float32Array.from(rows, (row) => row.x),
    y: Float32Array.from(rows, (row) => row.y),
    flux: Float32Array.from(rows, (row) => row.flux),
    airmass: Float32Array.from(rows, (row) => row.airmass),
    ...stars,
  };
}

/** The catalogue's stars where the stack shows them. */
export function knownStars(alignment: Alignment, pointing: SkyPointing): KnownStars {
  const { colorIndex } = cataloguedStars(alignment, pointing);
  const { trackX, trackY } = alignment;
  return trackX && trackY ? { x: trackX, y: trackY, colorIndex } : { x: [], y: [], colorIndex: [] };
}

const isSpoilt = (table: StarTable, row: number): boolean => (table.flags[row]! & SPOILT) !== 0;

/** Air mass where the camera looks; a knock turns it by a degree or two, which does not matter here. */
function airAt({ lens, zenith }: SkyPointing, { x, y }: { x: number; y: number }): number {
  if (!zenith) return Number.NaN;
  const [u, v, w] = unprojectPixel(lens, x, y);
  const sine = u * zenith[0] + v * zenith[1] + w * zenith[2];
  return airmass(radToDeg(Math.asin(Math.max(-1, Math.min(1, sine))))) ?? Number.NaN;
}

/** Magnitude and colour of each track's star; NaN where the catalogue has none there, or two that are alike. */
function cataloguedStars(
  { trackCount, trackDirections }: Alignment,
  { toCamera: m }: SkyPointing,
): Pick<StarLight, 'magnitude' | 'colorIndex'> {
  const magnitude = new Float64Array(trackCount).fill(Number.NaN);
  const colorIndex = new Float64Array(trackCount).fill(Number.NaN);
  if (!trackDirections) return { magnitude, colorIndex };
  const catalogue = starCatalogue();
  // Catalogue stars by cells of their direction's x and y in the camera's axes, a cell wider than any reach.
  const cells = new Map<number, number[]>();
  const size = degToRad(2 * CROWDED);
  const key = (i: number, j: number) => i * 4096 + j;
  const cell = (value: number) => Math.floor((value + 1) / size) + 1;
  const place = new Float64Array(3 * catalogue.count);
  for (let i = 0; i < catalogue.count; i++) {
    const ra = degToRad(catalogue.rightAscension[i]!);
    const dec = degToRad(catalogue.declination[i]!);
    const v = [Math.cos(dec) * Math.cos(ra), Math.cos(dec) * Math.sin(ra), Math.sin(dec)] as const;
    for (let r = 0; r < 3; r++) {
      place[3 * i + r] = m[3 * r]! * v[0] + m[3 * r + 1]! * v[1] + m[3 * r + 2]! * v[2];
    }
    if (!(place[3 * i + 2]! > 0)) continue;
    const at = key(cell(place[3 * i]!), cell(place[3 * i + 1]!));
    const own = cells.get(at);
    if (own) own.push(i);
    else cells.set(at, [i]);
  }
  for (let star = 0; star < trackCount; star++) {
    const d = trackDirections.subarray(3 * star, 3 * star + 3);
    if (!(d[2]! > 0)) continue;
    const near: { i: number; apart: number }[] = [];
    for (let dx = -1; dx <= 1; dx++) {
      for (let dy = -1; dy <= 1; dy++) {
        for (const i of cells.get(key(cell(d[0]!) + dx, cell(d[1]!) + dy)) ?? []) {
          const apart = radToDeg(
            Math.hypot(place[3 * i]! - d[0]!, place[3 * i + 1]! - d[1]!, place[3 * i + 2]! - d[2]!),
          );
          if (apart < CROWDED) near.push({ i, apart });
        }
      }
    }
    near.sort((a, b) => catalogue.magnitude[a.i]! - catalogue.magnitude[b.i]!);
    const [brightest, next] = near;
    if (!brightest || brightest.apart > REACH) continue;
    if (next && catalogue.magnitude[next.i]! < catalogue.magnitude[brightest.i]! + ALIKE) continue;
    magnitude[star] = catalogue.magnitude[brightest.i]!;
    colorIndex[star] = catalogue.colorIndex[brightest.i]!;
  }
  return { magnitude, colorIndex };
}
