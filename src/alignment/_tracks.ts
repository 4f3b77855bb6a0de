import type { StarTable } from '../core/index.js';
import type { Observations } from './_state.js';
import type { PairMatch } from './match.js';

/** A pair of frames whose stars were matched. */
export interface Link {
  readonly a: number;
  readonly b: number;
  readonly match: PairMatch;
}

/** Tracks as lists of [frame, row], each frame at most once, in frame order. */
export type Track = readonly (readonly [number, number])[];

/** Joins pair matches into tracks; a track that would hold two stars of one frame loses that frame. */
export function joinLinks(tables: readonly StarTable[], links: readonly Link[], minFrames: number): Track[] {
  const offset = new Int32Array(tables.length + 1);
  tables.forEach((table, i) => {
    offset[i + 1] = offset[i]! + table.count;
  });
  const parent = new Int32Array(offset[tables.length]!);
  for (let i = 0; i < parent.length; i++) parent[i] = i;
  const root = (i: number): number => {
    let at = i;
    while (parent[at] !== at) {
      parent[at] = parent[parent[at]!]!;
      at = parent[at]!;
    }
    return at;
  };
  for (const { a, b, match } of links) {
    for (let k = 0; k < match.rowsA.length; k++) {
      const p = root(offset[a]! + match.rowsA[k]!);
      const q = root(offset[b]! + match.rowsB[k]!);
      if (p !== q) parent[Math.max(p, q)] = Math.min(p, q);
    }
  }
  const groups = new Map<number, [number, number][]>();
  for (let i = 0; i < tables.length; i++) {
    for (let row = 0; row < tables[i]!.count; row++) {
      const r = root(offset[i]! + row);
      const group = groups.get(r);
      if (group) group.push([i, row]);
      else groups.set(r, [[i, row]]);
    }
  }
  const tracks: Track[] = [];
  for (const group of groups.values()) {
    if (group.length < minFrames) continue;
    const seen = new Map<number, number>();
    for (const [frame] of group) seen.set(frame, (seen.get(frame) ?? 0) + 1);
    const single = group.filter(([frame]) => seen.get(frame) === 1);
    if (single.length >= minFrames) tracks.push(single);
  }
  return tracks;
}

/** Places and errors of tracked stars as flat arrays for the solver; frames not in `use` are left out. */
export function observe(
  tables: readonly StarTable[],
  tracks: readonly Track[],
  options: { readonly noise: number; readonly frameOf?: Int32Array; readonly minFrames: number },
): { observations: Observations; kept: Int32Array } {
  const frame: number[] = [];
  const row: number[] = [];
  const starts: number[] = [0];
  const kept: number[] = [];
  tracks.forEach((track, t) => {
    const before = frame.length;
    for (const [i, r] of track) {
      const own = options.frameOf ? options.frameOf[i]! : i;
      if (own < 0) continue;
      frame.push(own);
      row.push(r);
    }
    if (frame.length - before < options.minFrames) {
      frame.length = before;
      row.length = before;
      return;
    }
    starts.push(frame.length);
    kept.push(t);
  });
  const inverse = new Map<number, number>();
  options.frameOf?.forEach((own, i) => {
    if (own >= 0) inverse.set(own, i);
  });
  const tableOf = (own: number): StarTable => tables[inverse.get(own) ?? own]!;
  const count = frame.length;
  return {
    kept: Int32Array.from(kept),
    observations: {
      count,
      trackCount: kept.length,
      trackStart: Int32Array.from(starts),
      frame: Int32Array.from(frame),
      row: Int32Array.from(row),
      x: Float64Array.from(row, (r, k) => tableOf(frame[k]!).x[r]!),
      y: Float64Array.from(row, (r, k) => tableOf(frame[k]!).y[r]!),
      sigma: Float64Array.from(row, (r, k) => options.noise * placeError(tableOf(frame[k]!), r)),
    },
  };
}

/** Error of a star's place, px: the table's own, not below the floor that pixels set; 0.1 where unknown. @source FINDINGS lesson 8. */
export function placeError(table: StarTable, row: number): number {
  const given = table.positionError[row]!;
  if (given > 0 && Number.isFinite(given)) return Math.min(2, Math.max(0.03, given));
  const snr = table.snr[row]!;
  if (snr > 0) return Math.min(1, Math.max(0.03, 1.6 / snr));
  return 0.1;
}
