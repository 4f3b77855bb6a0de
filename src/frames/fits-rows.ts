import { readFitsUnits } from './_fits-cards.js';
import { formatError, openSource } from './_source.js';

/** Where the rows of a float FITS file lie, so that some of them can be read without the rest. */
export interface FitsRows {
  readonly width: number;
  readonly height: number;
  readonly planes: number;
  /** First byte of the first row stored. */
  readonly dataAt: number;
  /** True when the lowest row of the picture is stored first. */
  readonly bottomUp: boolean;
}

/** Bytes from the start of a file that hold any header we write. */
export const FITS_HEAD_BYTES = 1 << 16;

/**
 * Reads the layout of a float FITS file as `writeFits` makes it from its first bytes.
 * @throws {FormatError} UNSUPPORTED_FORMAT when it holds anything but 32-bit floats; CORRUPT, TRUNCATED
 */
export function fitsRows(head: Uint8Array, path: string): FitsRows {
  const source = openSource(head, path);
  const unit = readFitsUnits(source, 1)[0];
  const [width, height, planes = 1] = unit?.axes ?? [];
  if (!unit || unit.bitpix !== -32 || width === undefined || height === undefined) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      'Expected a picture of 32-bit floats as a stack writes it but found another kind of FITS file',
    );
  }
  return {
    width,
    height,
    planes,
    dataAt: unit.dataAt,
    bottomUp: String(unit.cards.get('ROWORDER') ?? 'BOTTOM-UP').trim() !== 'TOP-DOWN',
  };
}

/** Byte at which a row of the picture (0 = top) of a plane starts. */
export function fitsRowAt(layout: FitsRows, plane: number, row: number): number {
  const stored = layout.bottomUp ? layout.height - 1 - row : row;
  return layout.dataAt + 4 * ((plane * layout.height + stored) * layout.width);
}

/** Big-endian floats of a row to numbers. @param bytes 4 * out.length bytes */
export function decodeFitsRow(bytes: Uint8Array, out: Float32Array): void {
  const from = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  for (let i = 0; i < out.length; i++) out[i] = from.getFloat32(4 * i);
}
