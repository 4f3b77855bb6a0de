import type { RasterLayout, Samples } from './_tiff-raster.js';

/** @source TIFF 6.0 FillOrder: 2 = the first pixel in the low-order bits of a byte */
export function reverseBits(data: Uint8Array): Uint8Array {
  const mirrored = Uint8Array.from({ length: 256 }, (_, byte) => {
    let out = 0;
    for (let bit = 0; bit < 8; bit++) out |= ((byte >> bit) & 1) << (7 - bit);
    return out;
  });
  return data.map((byte) => mirrored[byte]!);
}

/** Bytes of one row -> samples of one row, predictor undone. */
export function readRow(
  bytes: Uint8Array,
  row: Samples,
  layout: RasterLayout,
  littleEndian: boolean,
  inBlock: number,
): void {
  const { bits, format, predictor } = layout;
  if (predictor === 3) {
    readFloatPredicted(bytes, row, bits, inBlock);
    return;
  }
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const n = row.length;
  if (bits === 8) {
    for (let i = 0; i < n; i++) row[i] = bytes[i]!;
  } else if (bits === 16 && format === 'float') {
    for (let i = 0; i < n; i++) row[i] = halfToNumber(view.getUint16(2 * i, littleEndian));
  } else if (bits === 16) {
    for (let i = 0; i < n; i++) row[i] = view.getUint16(2 * i, littleEndian);
  } else if (bits === 32 && format === 'float') {
    for (let i = 0; i < n; i++) row[i] = view.getFloat32(4 * i, littleEndian);
  } else if (bits === 32) {
    for (let i = 0; i < n; i++) row[i] = view.getUint32(4 * i, littleEndian);
  } else if (bits === 64) {
    for (let i = 0; i < n; i++) row[i] = view.getFloat64(8 * i, littleEndian);
  } else {
    // Packed samples: most significant bit first, whatever the byte order (TIFF 6.0 FillOrder 1).
    let held = 0;
    let pool = 0;
    let at = 0;
    for (let i = 0; i < n; i++) {
      while (held < bits) {
        pool = ((pool << 8) | bytes[at++]!) & 0xffffff;
        held += 8;
      }
      held -= bits;
      row[i] = (pool >> held) & ((1 << bits) - 1);
    }
  }
  // Sums are taken on numbers, so the byte order cannot matter; the array's type wraps them.
  if (predictor === 2) for (let i = inBlock; i < n; i++) row[i] = row[i]! + row[i - inBlock]!;
}

/**
 * Floating-point predictor: byte differences, then the bytes of each value gathered from planes, most
 * significant first.
 * @source Adobe Photoshop TIFF Technical Note 3 (2005)
 */
function readFloatPredicted(bytes: Uint8Array, row: Samples, bits: number, inBlock: number): void {
  const work = bytes.slice();
  for (let i = inBlock; i < work.length; i++) work[i] = work[i]! + work[i - inBlock]!;
  const n = row.length;
  const size = bits / 8;
  const one = new DataView(new ArrayBuffer(8));
  for (let i = 0; i < n; i++) {
    for (let b = 0; b < size; b++) one.setUint8(b, work[b * n + i]!);
    row[i] = size === 2 ? halfToNumber(one.getUint16(0)) : size === 4 ? one.getFloat32(0) : one.getFloat64(0);
  }
}

/** @source IEEE 754-2008 binary16 */
function halfToNumber(half: number): number {
  const sign = half & 0x8000 ? -1 : 1;
  const exponent = (half >> 10) & 31;
  const fraction = half & 1023;
  if (exponent === 0) return sign * fraction * 2 ** -24;
  if (exponent === 31) return fraction ? Number.NaN : sign * Number.POSITIVE_INFINITY;
  return sign * (1 + fraction / 1024) * 2 ** (exponent - 15);
}
