import type { StarTable } from '../core/index.js';
import { indexPoints, nearestPoint } from './_points.js';
import type { Surface } from './_surface.js';
import type { Link } from './_tracks.js';
import { isUsable } from './choose-stars.js';
import { matchPair } from './match.js';

/** How far in the run a neighbour is looked for when the nearest ones fail. */
const REACH = 6;

/**
 * Marks detections that stay at one place through the run: defects and lights on land. Each frame is held
 * against up to eight frames spread over the run.
 */
export function findStanding(
  tables: readonly StarTable[],
  size: { readonly width: number; readonly height: number },
): Uint8Array[] {
  const n = tables.length;
  const sampleCount = Math.min(8, n);
  const samples = Array.from({ length: sampleCount }, (_, s) =>
    Math.round((s * (n - 1)) / Math.max(1, sampleCount - 1)),
  );
  const bin = Math.max(8, Math.sqrt((size.width * size.height) / 400));
  const indexes = samples.map((i) => indexPoints(tables[i]!.x, tables[i]!.y, { ...size, bin }));
  return tables.map((table, i) => {
    const marks = new Uint8Array(table.count);
    for (let row = 0; row < table.count; row++) {
      let seen = 0;
      let asked = 0;
      for (let s = 0; s < sampleCount; s++) {
        if (samples[s] === i) continue;
        asked++;
        if (nearestPoint(indexes[s]!, table.x[row]!, table.y[row]!, 0.6) >= 0) seen++;
      }
      if (asked >= 2 && seen >= 0.6 * asked) marks[row] = 1;
    }
    return marks;
  });
}

export interface Chain {
  readonly links: readonly Link[];
  /** Frames joined to one another, in order; the largest such group. */
  readonly joined: readonly number[];
}

/**
 * Matches each frame with the next; where that fails, with frames further apart; and keeps the largest group
 * of frames that hang together. `times` (s, or undefined) scale the guess taken from the previous pair.
 */
export function chainFrames(
  tables: readonly StarTable[],
  options: {
    readonly width: number;
    readonly height: number;
    readonly times: readonly (number | undefined)[];
    readonly skip?: readonly Uint8Array[];
  },
): Chain {
  const n = tables.length;
  const { width, height, times, skip } = options;
  const links: Link[] = [];
  const group = Array.from({ length: n }, (_, i) => i);
  let last: { surface: Surface; span: number } | undefined;
  const link = (a: number, b: number, guess?: Surface): boolean => {
    const match = matchPair(tables[a]!, tables[b]!, {
      width,
      height,
      ...(skip ? { skipA: skip[a]!, skipB: skip[b]! } : {}),
      ...(guess ? { guess } : {}),
    });
    if (!match) return false;
    links.push({ a, b, match });
    const from = group[b]!;
    for (let i = 0; i < n; i++) if (group[i] === from) group[i] = group[a]!;
    return true;
  };
  const spanOf = (a: number, b: number): number => {
    const from = times[a];
    const to = times[b];
    return from !== undefined && to !== undefined && to > from ? to - from : b - a;
  };
  for (let i = 0; i + 1 < n; i++) {
    const span = spanOf(i, i + 1);
    const ratio = last ? span / last.span : 0;
    const guess = last && ratio < 8 ? stretched(last.surface, ratio) : undefined;
    if (link(i, i + 1, guess)) last = { surface: links[links.length - 1]!.match.surface, span };
  }
  // Whoever does not hang on to the frame before looks further, both ways.
  for (let distance = 2; distance <= REACH; distance++) {
    for (let i = 0; i + distance < n; i++) {
      if (group[i] !== group[i + distance]) link(i, i + distance);
    }
  }
  // A few long links stiffen the chain and outlast a lost stretch.
  const sizes = new Map<number, number[]>();
  for (let i = 0; i < n; i++) {
    const members = sizes.get(group[i]!);
    if (members) members.push(i);
    else sizes.set(group[i]!, [i]);
  }
  let groups = [...sizes.values()].sort((a, b) => b.length - a.length || a[0]! - b[0]!);
  for (let g = 1; g < Math.min(groups.length, 5); g++) {
    const own = groups[g]!;
    const main = groups[0]!;
    if (own.length < 2) continue;
    const richest = (list: number[]) =>
      [...list].sort((a, b) => usable(tables[b]!) - usable(tables[a]!) || a - b)[0]!;
    const [a, b] = [richest(main), richest(own)].sort((p, q) => p - q) as [number, number];
    if (link(a, b)) groups = regroup(group);
  }
  return { links, joined: groups[0] ?? [] };
}

function regroup(group: readonly number[]): number[][] {
  const sizes = new Map<number, number[]>();
  group.forEach((g, i) => {
    const members = sizes.get(g);
    if (members) members.push(i);
    else sizes.set(g, [i]);
  });
  return [...sizes.values()].sort((a, b) => b.length - a.length || a[0]! - b[0]!);
}

function usable(table: StarTable): number {
  let count = 0;
  for (let row = 0; row < table.count; row++) if (isUsable(table, row)) count++;
  return count;
}

function stretched(surface: Surface, ratio: number): Surface {
  return { ...surface, x: surface.x.map((v) => v * ratio), y: surface.y.map((v) => v * ratio) };
}
