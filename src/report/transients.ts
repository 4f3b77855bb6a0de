import { median } from '../core/index.js';
import { fixed } from './_format.js';
import type { ReportFrame, ReportStreak, ReportTransient } from './types.js';

/** A line this long, px or share of the frame's diagonal, and this many times as long as wide, is no chance. */
const SURE_LENGTH = 80;
const SURE_SHARE = 0.045;
const SURE_RATIO = 12;
/** Flashes are higher than this times the typical light; with fewer gaps between them nothing is regular. */
const FLASH = 2.2;
const FEWEST_GAPS = 3;
/** A meteor is this much brighter in its middle than at its ends, and brighter than this share of the sky's level. */
const SWELL = 2.5;
const BRIGHT = 0.5;
/** A line over this share of the diagonal is a satellite's rather than a meteor's. */
const LONG_SHARE = 0.2;

/** px from end to end. */
export const streakLength = (streak: ReportStreak): number =>
  Math.hypot(streak.x2 - streak.x1, streak.y2 - streak.y1);

/** Whether a line is long and thin enough to be told as one; short ones may be close stars or the rim of a cloud. */
export function isSureStreak(frame: Pick<ReportFrame, 'width' | 'height'>, streak: ReportStreak): boolean {
  const length = streakLength(streak);
  const diagonal = Math.hypot(frame.width ?? 0, frame.height ?? 0);
  return length >= Math.max(SURE_LENGTH, SURE_SHARE * diagonal) && length >= SURE_RATIO * streak.width;
}

/** The lines of a run that are told one by one, in time order. */
export function sureStreaks(
  frames: readonly ReportFrame[],
): { readonly frame: ReportFrame; readonly streak: ReportStreak }[] {
  return frames.flatMap((frame) =>
    frame.streaks.filter((streak) => isSureStreak(frame, streak)).map((streak) => ({ frame, streak })),
  );
}

/** Where a profile flares up: local maxima that stand out of the typical light and of their neighbourhood. */
function flashes(profile: readonly number[]): number[] {
  const typical = Math.max(1, median(profile));
  const found: number[] = [];
  for (let i = 1; i + 1 < profile.length; i++) {
    const here = profile[i]!;
    if (here < profile[i - 1]! || here <= profile[i + 1]! || here < FLASH * typical) continue;
    const before = Math.min(...profile.slice(Math.max(0, i - 5), i));
    const after = Math.min(...profile.slice(i + 1, i + 6));
    if (here > 2 * Math.max(before, after)) found.push(i);
  }
  return found;
}

/** A lamp flashes at even distances; stars under a line stand where they like. */
function isRegular(places: readonly number[]): boolean {
  const gaps = places.slice(1).map((place, i) => place - places[i]!);
  if (gaps.length < FEWEST_GAPS) return false;
  const typical = median(gaps);
  const alike = gaps.filter((gap) => Math.abs(gap - typical) <= Math.max(1, 0.25 * typical));
  return alike.length >= 0.65 * gaps.length;
}

/** How much brighter the middle stretch of a profile is than its two ends. */
function swelling(profile: readonly number[]): number {
  const third = Math.max(1, Math.floor(profile.length / 5));
  const ends = median([...profile.slice(0, third), ...profile.slice(-third)]);
  const middle = Math.max(
    ...Array.from({ length: profile.length - 4 }, (_, i) => median(profile.slice(i, i + 5))),
  );
  return middle / Math.max(1, ends);
}

/** True when a line of the frame before or after lies on the same straight path. */
function goesOn(streak: ReportStreak, other: ReportStreak): boolean {
  const length = streakLength(streak);
  const [ux, uy] = [(streak.x2 - streak.x1) / length, (streak.y2 - streak.y1) / length];
  const otherLength = streakLength(other);
  const cross = Math.abs(ux * (other.y2 - other.y1) - uy * (other.x2 - other.x1)) / otherLength;
  const off = (x: number, y: number) => Math.abs(ux * (y - streak.y1) - uy * (x - streak.x1));
  return cross < 0.1 && Math.max(off(other.x1, other.y1), off(other.x2, other.y2)) < 15 + 0.02 * length;
}

/**
 * Says what crossed the sky, probably. A lamp that flashes evenly is an aircraft; a bright line that swells and
 * fades inside one frame a meteor; a long or continued line a satellite. Where the light along the line is unknown it stays a line.
 *
 * @param profiles light along each line of `sureStreaks`, in the same order; an empty one is unknown
 */
export function nameTransients(
  frames: readonly ReportFrame[],
  profiles: readonly (readonly number[])[],
): ReportTransient[] {
  const sure = sureStreaks(frames);
  return sure.map(({ frame, streak }, i) => {
    const at = frames.indexOf(frame);
    const near = [frames[at - 1], frames[at + 1]].filter((other) => other !== undefined);
    const partner = near.find((other) => other.streaks.some((line) => goesOn(streak, line)));
    const profile = profiles[i] ?? [];
    const { width, height } = frame;
    const inside =
      width !== undefined &&
      height !== undefined &&
      [
        [streak.x1, streak.y1],
        [streak.x2, streak.y2],
      ].every(([x, y]) => x! > 20 && y! > 20 && x! < width - 21 && y! < height - 21);
    const base = {
      frameId: frame.id,
      name: frame.name,
      ...(frame.takenAt === undefined ? {} : { takenAt: frame.takenAt }),
      length: streakLength(streak),
    };
    const on = partner ? ` It goes on in ${partner.name}.` : '';
    if (profile.length < 12) return { ...base, kind: 'line', why: `A straight line of light.${on}` };
    const lamps = flashes(profile);
    if (isRegular(lamps)) {
      return {
        ...base,
        kind: 'aircraft',
        why: `It blinks: ${lamps.length} flashes at even distances.${on}`,
      };
    }
    const sky = (frame.skyRate ?? Number.NaN) * (frame.exposureTime ?? Number.NaN);
    const swell = swelling(profile);
    if (inside && !partner && swell > SWELL && streak.brightness > BRIGHT * sky) {
      return {
        ...base,
        kind: 'meteor',
        why: `It begins and ends inside one frame and is ${fixed(swell, 1)} times as bright in its middle as at its ends.`,
      };
    }
    const diagonal = Math.hypot(width ?? Number.NaN, height ?? Number.NaN);
    if (partner || !inside || base.length > LONG_SHARE * diagonal) {
      return { ...base, kind: 'satellite', why: `A long line without a regular flash.${on}` };
    }
    return { ...base, kind: 'line', why: 'Too faint or too short to tell a satellite from a meteor.' };
  });
}

/** One sentence on lines too short to be told apart from close stars; undefined when there are none. */
export function shortLines(frames: readonly ReportFrame[]): string | undefined {
  const found = frames.flatMap((frame) =>
    frame.streaks.filter((streak) => !isSureStreak(frame, streak)).map((streak) => ({ frame, streak })),
  );
  if (found.length === 0) return undefined;
  const lengths = found.map(({ streak }) => streakLength(streak));
  const many = new Set(found.map(({ frame }) => frame.id)).size;
  const range =
    found.length === 1
      ? `${fixed(lengths[0]!, 0)} px`
      : `${fixed(Math.min(...lengths), 0)} to ${fixed(Math.max(...lengths), 0)} px`;
  return `${found.length === 1 ? 'One short line' : `${found.length} short lines`} of light (${range}) in ${many === 1 ? 'one frame' : `${many} frames`} may be faint satellites, close pairs of stars or the rim of a cloud; no frame was dropped for them.`;
}
