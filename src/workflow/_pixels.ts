import { readFileSync } from 'node:fs';
import { readFile } from 'node:fs/promises';
import { createRequire } from 'node:module';
import { type FrameHeader, type FramePixels, StorageError } from '../core/index.js';
import { provideRawDecoder, readHeader, readPixels } from '../frames/index.js';

let provided = false;

/** Hands the RAW decoder's own bytes to the readers, once a thread. */
export function ensureRawDecoder(): void {
  if (provided) return;
  const require = createRequire(import.meta.url);
  provideRawDecoder(readFileSync(require.resolve('libraw-wasm/dist/libraw.wasm')));
  provided = true;
}

/** Reads a whole file. @throws {StorageError} NOT_READABLE */
export async function readBytes(path: string): Promise<Uint8Array> {
  try {
    return await readFile(path);
  } catch (error) {
    throw new StorageError(
      'NOT_READABLE',
      `Expected to read ${path} but the system refused: ${String(error)}.`,
      {
        path,
        cause: error,
      },
    );
  }
}

/** Reads the pixels of a frame from disk. @throws {FormatError} when the file cannot be read as a picture */
export async function loadPixels(path: string): Promise<FramePixels> {
  ensureRawDecoder();
  return readPixels(await readBytes(path), path);
}

/** Reads header and pixels in one go. */
export async function loadFrame(path: string): Promise<{ header: FrameHeader; pixels: FramePixels }> {
  ensureRawDecoder();
  const bytes = await readBytes(path);
  return { header: await readHeader(bytes, path), pixels: await readPixels(bytes, path) };
}
