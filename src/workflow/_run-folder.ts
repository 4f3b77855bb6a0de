import { mkdir, open, readFile, rename, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import sharp from 'sharp';
import type { Alignment } from '../alignment/index.js';
import type { Mask } from '../core/index.js';
import { insideLibrary, nightFolders, type SequenceRecord, type SessionRecord } from '../library/index.js';
import { readGrey } from './_grey-picture.js';

/** Where the working results of one sequence lie; everything in it can be made again. */
export interface RunFolder {
  readonly dir: string;
  /** The land mask as a picture: white = land. A photographer may paint over a copy and hand it in. */
  readonly mask: string;
  readonly defects: string;
  readonly alignment: string;
  preview(frameId: string): string;
}

/** Said of a run that has no alignment yet. */
export const NOT_MEASURED = 'It was not measured yet, or nothing in it could be; run "measure" first.';

/** The folder of a sequence's measurements. */
export function runFolder(libraryDir: string, session: SessionRecord, sequence: SequenceRecord): RunFolder {
  const dir = join(
    insideLibrary(libraryDir, nightFolders(session.folder).measure),
    `run-${sequence.ordinal}`,
  );
  return {
    dir,
    mask: join(dir, 'land.png'),
    defects: join(dir, 'defects.bin'),
    alignment: join(dir, 'alignment.json'),
    preview: (frameId) => join(dir, `${frameId}.jpg`),
  };
}

/** Writes a file whole or not at all. */
export async function writeWhole(path: string, data: Uint8Array | string): Promise<void> {
  const part = `${path}.part`;
  await writeFile(part, data);
  await rename(part, path);
}

/** Writes a file whole or not at all, piece by piece, so that it need not fit in memory. */
export async function writeParts(path: string, parts: Iterable<Uint8Array>): Promise<void> {
  const part = `${path}.part`;
  const file = await open(part, 'w');
  try {
    for (const piece of parts) await file.writeFile(piece);
  } finally {
    await file.close();
  }
  await rename(part, path);
}

/** Stores a mask as a picture, white where `mask` is 1. */
export async function saveMask(path: string, mask: Mask): Promise<void> {
  const png = await sharp(
    mask.data.map((value) => (value === 0 ? 0 : 255)),
    { raw: { width: mask.width, height: mask.height, channels: 1 } },
  )
    .png()
    .toBuffer();
  await writeWhole(path, png);
}

/** Reads a mask picture: brighter than half is 1. Undefined when there is no such file. */
export async function loadMask(path: string): Promise<Mask | undefined> {
  const picture = await readGrey(path);
  if (!picture) return undefined;
  const { width, height, data } = picture;
  const mask = new Uint8Array(data.length);
  for (let i = 0; i < mask.length; i++) mask[i] = data[i]! > 127 ? 1 : 0;
  return { width, height, data: mask };
}

/** Stores pixel indices, little-endian u32. */
export async function saveDefects(path: string, defects: Uint32Array): Promise<void> {
  await writeWhole(path, new Uint8Array(defects.buffer, defects.byteOffset, defects.byteLength));
}

/** Reads pixel indices; empty when there is no such file. */
export async function loadDefects(path: string): Promise<Uint32Array> {
  try {
    const bytes = await readFile(path);
    return new Uint32Array(Uint8Array.from(bytes).buffer);
  } catch {
    return new Uint32Array(0);
  }
}

/** The big tables of an alignment, and how each number of them is stored. */
const TABLES = {
  trackRows: Int32Array,
  trackX: Float64Array,
  trackY: Float64Array,
  trackDirections: Float64Array,
  trackFlux: Float32Array,
} as const;

/** Stores an alignment as JSON, its big tables as base64. */
export async function saveAlignmentFile(path: string, alignment: Alignment): Promise<void> {
  const packed = Object.keys(TABLES).flatMap((name) => {
    const table = alignment[name as keyof typeof TABLES];
    if (!table) return [];
    return [[name, Buffer.from(table.buffer, table.byteOffset, table.byteLength).toString('base64')]];
  });
  await mkdir(join(path, '..'), { recursive: true });
  await writeWhole(path, JSON.stringify({ ...alignment, ...Object.fromEntries(packed) }));
}

/** Reads what `saveAlignmentFile` wrote; undefined when there is none. */
export async function loadAlignmentFile(path: string): Promise<Alignment | undefined> {
  let text: string;
  try {
    text = await readFile(path, 'utf8');
  } catch {
    return undefined;
  }
  const parsed = JSON.parse(text) as Record<string, unknown>;
  for (const [name, Table] of Object.entries(TABLES)) {
    const stored = parsed[name];
    if (typeof stored === 'string') {
      parsed[name] = new Table(Uint8Array.from(Buffer.from(stored, 'base64')).buffer);
    } else if (typeof stored === 'object' && stored !== null) {
      // Files from before all tables were packed hold them as numbered entries.
      const values = Object.values(stored as Record<string, number | null>);
      parsed[name] = Table.from(values.map((value) => value ?? Number.NaN));
    }
  }
  return parsed as unknown as Alignment;
}
