import { closeSync, openSync, readSync } from 'node:fs';
import type { Band } from '../finishing/index.js';
import { decodeFitsRow, FITS_HEAD_BYTES, type FitsRows, fitsRowAt, fitsRows } from '../frames/index.js';

/** An open linear stack of which rows can be read without the rest. */
export interface LinearRows {
  readonly layout: FitsRows;
  /** Rows `top` to `top + count`, as far as there are such. */
  band(top: number, count: number): Band;
  close(): void;
}

/** Opens the FITS file of a stack. @throws {FormatError} when it is none of ours */
export function openLinearRows(path: string): LinearRows {
  const file = openSync(path, 'r');
  try {
    const head = new Uint8Array(FITS_HEAD_BYTES);
    const layout = fitsRows(head.subarray(0, readSync(file, head, 0, head.length, 0)), path);
    return { layout, band: (top, count) => readBand(file, layout, top, count), close: () => closeSync(file) };
  } catch (error) {
    closeSync(file);
    throw error;
  }
}

function readBand(file: number, layout: FitsRows, top: number, count: number): Band {
  const { width, height } = layout;
  const first = Math.max(0, top);
  const rows = Math.max(0, Math.min(height, top + count) - first);
  const data = new Float32Array(3 * rows * width);
  const bytes = new Uint8Array(4 * width * rows);
  for (let color = 0; color < 3; color++) {
    // Rows that follow each other lie together in the file, from below or from above.
    const start = Math.min(fitsRowAt(layout, color, first), fitsRowAt(layout, color, first + rows - 1));
    readSync(file, bytes, 0, bytes.length, start);
    for (let row = 0; row < rows; row++) {
      const at = fitsRowAt(layout, color, first + row) - start;
      const from = (color * rows + row) * width;
      decodeFitsRow(bytes.subarray(at, at + 4 * width), data.subarray(from, from + width));
    }
  }
  return { top: first, rows, width, data };
}
