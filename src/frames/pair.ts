import type { FrameFormat, FrameHeader } from '../core/index.js';

/** A file as pairing sees it. */
export interface PairEntry {
  /** Path with `/` between parts. */
  readonly path: string;
  readonly header: FrameHeader;
}

/** Which file of a shot is worked with: the one nearest to the sensor. */
const RANK: Record<FrameFormat, number> = { raw: 0, dng: 1, fits: 2, tiff: 3, png: 4, jpeg: 5 };

/** Cameras write both files of a shot with one clock reading; two seconds cover those that do not. */
const SAME_SHOT_SECONDS = 2;

function nameOf(path: string): string {
  // Folder and base name, case-insensitive: cards are FAT.
  return path
    .toLowerCase()
    .replace(/\.(fits|fit|fts)\.gz$/, '')
    .replace(/\.[^./\\]*$/, '');
}

function secondsOf({ wallTime, subSecond = 0 }: FrameHeader): number | undefined {
  return wallTime === undefined ? undefined : Date.parse(`${wallTime}Z`) / 1000 + subSecond;
}

const differ = <T>(a: T | undefined, b: T | undefined): boolean =>
  a !== undefined && b !== undefined && a !== b;

/** True when nothing that both headers say contradicts one shot, and enough speaks for it (L77). */
function sameShot(a: FrameHeader, b: FrameHeader): boolean {
  if (differ(a.cameraModel?.trim().toLowerCase(), b.cameraModel?.trim().toLowerCase())) return false;
  if (differ(a.serial, b.serial)) return false;
  const [first, second] = [secondsOf(a), secondsOf(b)];
  if (first !== undefined && second !== undefined) return Math.abs(first - second) <= SAME_SHOT_SECONDS;
  if (a.exposureTime !== undefined && b.exposureTime !== undefined) {
    return Math.abs(a.exposureTime / b.exposureTime - 1) < 0.02 && !differ(a.iso, b.iso);
  }
  // One header is bare, as an editor leaves it: the shape of the picture has to agree.
  const ratio = ({ width, height }: FrameHeader) =>
    width && height ? Math.max(width, height) / Math.min(width, height) : undefined;
  const [shapeA, shapeB] = [ratio(a), ratio(b)];
  return shapeA !== undefined && shapeB !== undefined && Math.abs(shapeA / shapeB - 1) < 0.03;
}

/**
 * Groups the files of one shot: same folder, same base name whatever the case, same camera and time, and
 * different formats (P52).
 *
 * @returns for each frame the indices into `entries` of its files, the one to work with first; frames in the
 * order of their first file. Every index occurs once.
 */
export function pairFiles(entries: readonly PairEntry[]): number[][] {
  const byName = new Map<string, number[]>();
  entries.forEach(({ path }, i) => {
    const name = nameOf(path);
    const list = byName.get(name);
    if (list === undefined) byName.set(name, [i]);
    else list.push(i);
  });
  const frames: number[][] = [];
  for (const list of byName.values()) {
    const rank = (i: number) => RANK[entries[i]!.header.format];
    const sorted = [...list].sort((a, b) => rank(a) - rank(b) || a - b);
    const groups: number[][] = [];
    for (const i of sorted) {
      const { header } = entries[i]!;
      const home = groups.find(
        (group) =>
          sameShot(entries[group[0]!]!.header, header) &&
          group.every((other) => entries[other]!.header.format !== header.format),
      );
      if (home === undefined) groups.push([i]);
      else home.push(i);
    }
    frames.push(...groups);
  }
  return frames.sort((a, b) => Math.min(...a) - Math.min(...b));
}
