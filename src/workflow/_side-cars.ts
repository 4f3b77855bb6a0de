import { readFile } from 'node:fs/promises';
import { basename, extname, join } from 'node:path';
import type { Verdict } from '../core/index.js';
import { writeXmp } from '../frames/index.js';
import type { FrameRecord } from '../library/index.js';
import { writeWhole } from './_run-folder.js';

/** How a verdict reads in an editor's stars: -1 is the standard's "rejected". @source ISO 16684-1:2012 section 8.4, xmp:Rating */
const RATING: Readonly<Record<Exclude<Verdict, 'none'>, number>> = { keep: 3, doubt: 1, drop: -1 };

const TOOL = 'Nightcairn';

/** What a frame's verdict says as an XMP packet; undefined while it has none. */
export function verdictXmp(record: FrameRecord): string | undefined {
  const { measurement } = record;
  const verdict = measurement?.verdict;
  if (verdict === undefined || verdict === 'none') return undefined;
  const reasons = (measurement?.reasons ?? []).map(({ text }) => text);
  const by = measurement?.verdictBy === 'person' ? 'By choice.' : undefined;
  const words = [by, ...reasons].filter((text) => text !== undefined);
  return writeXmp({
    rating: RATING[verdict],
    label: verdict,
    description: words.length > 0 ? words.join(' ') : 'Nothing spoils it.',
    creatorTool: TOOL,
  });
}

/**
 * Names for a run's files, one a frame, without extension: the original's own, with its extension kept where
 * two originals differ in nothing else.
 */
export function exportNames(records: readonly FrameRecord[]): Map<string, string> {
  const names = new Map<string, string>();
  const taken = new Set<string>();
  for (const record of records) {
    const file = basename(record.files[0]?.path ?? record.id);
    const plain = file.slice(0, file.length - extname(file).length);
    const name = taken.has(plain.toLowerCase()) ? file : plain;
    taken.add(name.toLowerCase());
    names.set(record.id, name);
  }
  return names;
}

/**
 * Writes a side-car, unless one lies there that another program wrote: that one is left as it is.
 *
 * @returns whether it was written
 */
export async function writeSideCar(folder: string, name: string, packet: string): Promise<boolean> {
  const path = join(folder, `${name}.xmp`);
  const there = await readFile(path, 'utf8').catch(() => undefined);
  if (there !== undefined && !there.includes(`<xmp:CreatorTool>${TOOL}</xmp:CreatorTool>`)) return false;
  if (there !== packet) await writeWhole(path, packet);
  return true;
}
