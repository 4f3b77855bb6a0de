import { STAR_FLAGS, type StarTable } from '../core/index.js';

/** Zones over the frame from which stars are chosen. @source FINDINGS lesson 1: 6 x 4. */
const COLUMNS = 6;
const ROWS = 4;

const UNUSABLE = STAR_FLAGS.ON_LAND.bit | STAR_FLAGS.NON_POSITIVE_FLUX.bit;

/** True for a row that may be a star of the sky: a finite place, off the land, with light in it. */
export function isUsable(stars: StarTable, row: number): boolean {
  return (
    (stars.flags[row]! & UNUSABLE) === 0 && Number.isFinite(stars.x[row]!) && Number.isFinite(stars.y[row]!)
  );
}

/**
 * Picks the brightest stars of each zone (6 x 4 over the frame), never the brightest overall: an aircraft is
 * dozens of bright detections and lit land is hundreds (L76).
 *
 * @param skip  rows to leave out (1), beside land and rows without light
 * @returns rows, brightest zone-mates first, in an order that depends on the table only
 */
export function chooseStars(
  stars: StarTable,
  options: {
    readonly width: number;
    readonly height: number;
    readonly perZone: number;
    readonly skip?: Uint8Array | undefined;
  },
): Int32Array {
  const rows: number[] = [];
  for (let i = 0; i < stars.count; i++) {
    if (options.skip?.[i] !== 1 && isUsable(stars, i)) rows.push(i);
  }
  rows.sort((a, b) => (stars.flux[b]! || 0) - (stars.flux[a]! || 0) || a - b);
  const taken = new Int32Array(COLUMNS * ROWS);
  const chosen: number[] = [];
  for (const row of rows) {
    const column = Math.min(COLUMNS - 1, Math.max(0, Math.floor((stars.x[row]! / options.width) * COLUMNS)));
    const line = Math.min(ROWS - 1, Math.max(0, Math.floor((stars.y[row]! / options.height) * ROWS)));
    const zone = line * COLUMNS + column;
    if (taken[zone]! >= options.perZone) continue;
    taken[zone]!++;
    chosen.push(row);
  }
  return Int32Array.from(chosen);
}
