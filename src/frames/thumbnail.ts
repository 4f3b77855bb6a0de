import { numbers, readTiffStructure, type TiffStructure, tiffVersion } from './_ifd.js';
import { readJpegSegments } from './_jpeg-segments.js';
import { hasText, inside, openSource, type Source } from './_source.js';
import { isJpeg } from './jpeg.js';
import { allDirectories } from './tiff.js';

/** A picture that a file carries ready-made. */
export interface Thumbnail {
  readonly jpeg: Uint8Array;
  readonly width: number;
  readonly height: number;
}

/**
 * Finds the largest JPEG that a frame carries as a preview; a JPEG frame is its own. Not turned.
 *
 * @returns a view into `bytes`; undefined when the file carries none. Damage gives undefined, no error.
 */
export function readThumbnail(bytes: Uint8Array, path: string): Thumbnail | undefined {
  const source = openSource(bytes, path);
  let best: Thumbnail | undefined;
  const offer = (at: number, length: number) => {
    const found = previewAt(source, at, length);
    if (found && (best === undefined || found.width * found.height > best.width * best.height)) best = found;
  };
  if (isJpeg(bytes)) offer(0, bytes.byteLength);
  else if (hasText(bytes, 0, 'FUJIFILMCCD-RAW') && inside(source, 84, 8)) {
    offer(source.view.getUint32(84), source.view.getUint32(88));
  } else if (hasText(bytes, 4, 'ftypcrx ')) offerCanonPreview(source, offer);
  else if (tiffVersion(bytes) !== undefined) {
    let structure: TiffStructure;
    try {
      structure = readTiffStructure(source);
    } catch {
      // Damaged directories lead to no preview.
      return undefined;
    }
    for (const ifd of allDirectories(structure)) {
      for (const [at, length] of [
        [513, 514],
        [273, 279],
      ] as const) {
        const [offsets, lengths] = [numbers(structure, ifd, at), numbers(structure, ifd, length)];
        if (offsets.length === 1 && lengths.length === 1) offer(offsets[0]!, lengths[0]!);
      }
      const jpeg = ifd.fields.get(0x2e);
      if (jpeg !== undefined) offer(jpeg.at, jpeg.size);
    }
  }
  return best;
}

function previewAt(source: Source, at: number, length: number): Thumbnail | undefined {
  if (!inside(source, at, length) || length < 128 || source.view.getUint16(at) !== 0xffd8) return undefined;
  const { width, height, unusual, hasPicture, components } = readJpegSegments(source, at);
  // Lossless JPEG holds sensor data, no preview.
  if (!width || !height || unusual || !hasPicture || (components !== 3 && components !== 1)) return undefined;
  return { jpeg: source.bytes.subarray(at, at + length), width, height };
}

/** @source exiftool 12.57, Canon uuid box: PRVW = 4 zeros, 2, width, height, 2, length, JPEG */
function offerCanonPreview(source: Source, offer: (at: number, length: number) => void): void {
  let at = 0;
  for (let n = 0; n < 50 && inside(source, at, 16); n++) {
    const size = source.view.getUint32(at);
    const length = size === 1 ? Number(source.view.getBigUint64(at + 8)) : size;
    if (length < 8) return;
    if (hasText(source.bytes, at + 4, 'uuid')) {
      const box = at + 32;
      if (hasText(source.bytes, box + 4, 'PRVW') && inside(source, box, 24)) {
        offer(box + 24, source.view.getUint32(box + 20));
      }
    }
    at += length;
  }
}
