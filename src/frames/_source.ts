import { type ErrorCode, FormatError } from '../core/index.js';

/** A file in memory with the name it is called by in messages. */
export interface Source {
  readonly bytes: Uint8Array;
  readonly view: DataView;
  readonly path: string;
}

/** Largest picture we accept, px: well above any camera, low enough to fit memory (L51). */
export const MAX_PIXELS = 400_000_000;

/** Largest side of a picture, px: TIFF and DNG cameras stay below 2^16. */
const MAX_SIDE = 65_535;

export function openSource(bytes: Uint8Array, path: string): Source {
  return { bytes, path, view: new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength) };
}

/** A format error that names the file. */
export function formatError(
  source: Source,
  code: ErrorCode,
  sentence: string,
  { at, cause }: { readonly at?: number; readonly cause?: unknown } = {},
): FormatError {
  return new FormatError(code, `${sentence} (${source.path}${at === undefined ? '' : `, byte ${at}`}).`, {
    path: source.path,
    ...(at === undefined ? {} : { byteOffset: at }),
    ...(cause === undefined ? {} : { cause }),
  });
}

/** True when `length` bytes from `at` lie inside the file. */
export function inside(source: Source, at: number, length: number): boolean {
  return at >= 0 && length >= 0 && at + length <= source.bytes.byteLength;
}

/** Bytes of the file as a view, checked first. @throws {FormatError} TRUNCATED */
export function slice(source: Source, at: number, length: number, what: string): Uint8Array {
  if (!inside(source, at, length)) {
    throw formatError(
      source,
      'TRUNCATED',
      `Expected ${length} bytes of ${what} from byte ${at} but the file ends at byte ${source.bytes.byteLength}`,
      { at },
    );
  }
  return source.bytes.subarray(at, at + length);
}

/** Refuses sizes that are not a picture or are beyond the limit, before anything is allocated. */
export function checkSize(source: Source, width: number, height: number): void {
  if (!Number.isInteger(width) || !Number.isInteger(height) || width < 1 || height < 1) {
    throw formatError(
      source,
      'CORRUPT',
      `Expected a picture of at least 1 x 1 px but the header says ${width} x ${height}`,
    );
  }
  if (width > MAX_SIDE || height > MAX_SIDE || width * height > MAX_PIXELS) {
    throw formatError(
      source,
      'TOO_LARGE',
      `Expected a picture of at most ${MAX_PIXELS / 1e6} megapixels but the header says ${width} x ${height}`,
    );
  }
}

/**
 * Refuses an empty file and one whose bytes are all zero.
 * @throws {FormatError} EMPTY_FILE, ALL_ZERO
 */
export function checkNotBlank(source: Source): void {
  const { bytes } = source;
  if (bytes.byteLength === 0) {
    throw formatError(source, 'EMPTY_FILE', 'Expected a frame but the file is empty');
  }
  // A real file starts with a signature: only one that starts with zeros is read through.
  for (let i = 0; i < Math.min(64, bytes.byteLength); i++) if (bytes[i] !== 0) return;
  if (!allZero(bytes)) return;
  throw formatError(
    source,
    'ALL_ZERO',
    'Expected a frame but every byte of the file is zero, as from a failing card',
  );
}

/** Four bytes at a time: such a file may be as long as any frame. */
function allZero(bytes: Uint8Array): boolean {
  const lead = Math.min(bytes.byteLength, (4 - (bytes.byteOffset % 4)) % 4);
  const count = Math.floor((bytes.byteLength - lead) / 4);
  const words = new Int32Array(bytes.buffer, bytes.byteOffset + lead, count);
  for (let i = 0; i < count; i++) if (words[i] !== 0) return false;
  for (let i = 0; i < lead; i++) if (bytes[i] !== 0) return false;
  for (let i = lead + 4 * count; i < bytes.byteLength; i++) if (bytes[i] !== 0) return false;
  return true;
}

/** Bytes as Latin-1 text. */
export function latin1(bytes: Uint8Array): string {
  let text = '';
  for (const byte of bytes) text += String.fromCharCode(byte);
  return text;
}

/** True when the bytes at `at` are this text. */
export function hasText(bytes: Uint8Array, at: number, text: string): boolean {
  if (at + text.length > bytes.byteLength) return false;
  for (let i = 0; i < text.length; i++) if (bytes[at + i] !== text.charCodeAt(i)) return false;
  return true;
}
