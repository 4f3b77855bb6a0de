import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { dirname } from 'node:path';
import type { FrameGlimpse } from '../nights/index.js';
import type { Library } from './library.js';
import { glimpsePath } from './paths.js';
import { isMissing, storageError } from './system-errors.js';

/** Packs a quick look: length of a JSON head (u32), the head, the thumbnail, the peaks (f32, little-endian). */
export function packGlimpse(glimpse: FrameGlimpse): Buffer {
  const { thumbnail, peaks, ...levels } = glimpse;
  const head = Buffer.from(
    JSON.stringify({ ...levels, width: thumbnail.width, height: thumbnail.height, peaks: peaks.length }),
  );
  const padded = Buffer.alloc(4 + Math.ceil(head.length / 4) * 4, ' ');
  padded.writeUInt32LE(padded.length - 4, 0);
  head.copy(padded, 4);
  const floats = (data: Float32Array) => Buffer.from(data.buffer, data.byteOffset, data.byteLength);
  return Buffer.concat([padded, floats(thumbnail.data), floats(peaks)]);
}

/** Unpacks what `packGlimpse` made; undefined when the bytes are not such a thing. */
export function unpackGlimpse(bytes: Uint8Array): FrameGlimpse | undefined {
  const all = Buffer.from(bytes); // a copy: aligned, and not a view into a pool
  if (all.length < 4) return undefined;
  const headLength = all.readUInt32LE(0);
  if (headLength % 4 !== 0 || 4 + headLength > all.length) return undefined;
  let head: { width: number; height: number; peaks: number } & Record<string, number>;
  try {
    head = JSON.parse(all.toString('utf8', 4, 4 + headLength)) as typeof head;
  } catch {
    return undefined; // cut or foreign: the caller takes a new look
  }
  const { width, height, peaks, ...levels } = head;
  const size = width * height;
  if (all.length !== 4 + headLength + 4 * (size + peaks)) return undefined;
  const floats = new Float32Array(size + peaks);
  Buffer.from(floats.buffer).set(all.subarray(4 + headLength));
  return {
    ...(levels as unknown as Omit<FrameGlimpse, 'thumbnail' | 'peaks'>),
    thumbnail: { width, height, data: floats.slice(0, size) },
    peaks: floats.slice(size),
  };
}

/** Keeps a frame's quick look beside its session, so that regrouping need not read the pixels again. */
export function saveGlimpse(
  library: Library,
  place: { folder: string; frameId: string },
  glimpse: FrameGlimpse,
): void {
  const path = glimpsePath(library.dir, place.folder, place.frameId);
  try {
    mkdirSync(dirname(path), { recursive: true });
    writeFileSync(path, packGlimpse(glimpse));
  } catch (error) {
    throw storageError(error, path, 'write to the library');
  }
}

/** The kept quick look of a frame; undefined when there is none or it is damaged. */
export function loadGlimpse(
  library: Library,
  place: { folder: string; frameId: string },
): FrameGlimpse | undefined {
  const path = glimpsePath(library.dir, place.folder, place.frameId);
  try {
    return unpackGlimpse(readFileSync(path));
  } catch (error) {
    if (isMissing(error)) return undefined;
    throw storageError(error, path, 'read the library');
  }
}
