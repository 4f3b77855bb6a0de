import { type FrameHeader, median } from '../core/index.js';
import type { Shot } from './_order.js';
import type { CadenceHole } from './types.js';

/** Shutters that many bodies run in powers of two: nominal, real, s (P03). */
const DOUBLING: readonly (readonly [number, number])[] = [
  [15, 16],
  [30, 32],
  [60, 64],
];

/** Starts of shots, s; NaN where undated. */
const starts = (shots: readonly Shot[]): number[] => shots.map((shot) => (shot.startMs ?? Number.NaN) / 1000);

/**
 * Time from start to start of a run, s: the median interval, then the mean of the intervals close to it, so
 * that whole-second clocks do not round it. Undefined for fewer than two dated shots.
 */
export function cadenceOf(shots: readonly Shot[]): number | undefined {
  const intervals = intervalsOf(shots);
  if (intervals.length === 0) return undefined;
  const middle = median(intervals);
  const near = intervals.filter((interval) => Math.abs(interval - middle) <= Math.max(1.01, 0.1 * middle));
  if (near.length === 0) return middle;
  return near.reduce((sum, interval) => sum + interval, 0) / near.length;
}

function intervalsOf(shots: readonly Shot[]): number[] {
  const times = starts(shots);
  const intervals: number[] = [];
  for (let i = 1; i < times.length; i++) {
    const interval = times[i]! - times[i - 1]!;
    if (Number.isFinite(interval)) intervals.push(interval);
  }
  return intervals;
}

/** Whether the shutter button was pressed by a clock: most of the intervals lie within 1.5 s (or 5 %) of the middle. */
export function isSteady(shots: readonly Shot[], most = 0.6): boolean {
  const intervals = intervalsOf(shots);
  if (intervals.length < 3) return false;
  const middle = median(intervals);
  const near = intervals.filter((interval) => Math.abs(interval - middle) <= Math.max(1.5, 0.05 * middle));
  return near.length >= most * intervals.length;
}

/** Whether shot b follows shot a at the pace of a steady run: the clock took it, not a hand. */
export function isAtPace(a: Shot, b: Shot, run: readonly Shot[]): boolean {
  const cadence = cadenceOf(run);
  if (cadence === undefined || !isSteady(run) || a.startMs === undefined || b.startMs === undefined)
    return false;
  const interval = (b.startMs - a.startMs) / 1000;
  return Math.abs(interval - cadence) <= Math.max(1.1, 0.05 * cadence);
}

/**
 * Every interval longer than one and a half cadences, with what most likely made it (P20, P21). Where frames
 * stand that were shot there but are sorted elsewhere by a person's choice, there is no hole.
 */
export function holesOf(
  shots: readonly Shot[],
  cadence: number | undefined,
  { knocks, elsewhere }: { readonly knocks: ReadonlySet<string>; readonly elsewhere: readonly Shot[] },
): CadenceHole[] {
  if (cadence === undefined || shots.length < 4 || !isSteady(shots)) return [];
  const times = starts(shots);
  const found: { at: number; length: number }[] = [];
  for (let i = 1; i < shots.length; i++) {
    const interval = times[i]! - times[i - 1]!;
    if (!(interval > 1.5 * cadence + 1)) continue;
    const length = interval - cadence;
    const [from, to] = [shots[i - 1]!, shots[i]!];
    const there = elsewhere.filter(
      (shot) =>
        shot.startMs! > from.startMs! &&
        shot.startMs! < to.startMs! &&
        shot.frame.header.camera === from.frame.header.camera &&
        shot.frame.header.serial === from.frame.header.serial,
    ).length;
    if (there < Math.round(length / cadence)) found.push({ at: i, length });
  }
  // One frame skipped again and again is a camera that is still writing, not a person.
  const skipped = found.filter(({ length }) => length < 1.6 * cadence).length;
  return found.map(({ at, length }) => {
    const before = shots[at - 1]!;
    const after = shots[at]!;
    return {
      afterFrameId: before.frame.id,
      length,
      likelyCause: causeOf({
        length,
        cadence,
        skipped,
        jump: numberJump(before.frame.header, after.frame.header),
        knocked: knocks.has(after.frame.id),
      }),
    };
  });
}

/** File numbers left out between two frames, over the roll from 9999 to 0001; undefined when unknown. */
function numberJump(before: FrameHeader, after: FrameHeader): number | undefined {
  if (before.fileNumber === undefined || after.fileNumber === undefined) return undefined;
  const step = after.fileNumber - before.fileNumber;
  const rolled = step < 0 ? step + 9999 : step;
  return rolled >= 1 && rolled < 1000 ? rolled - 1 : undefined;
}

interface Hole {
  readonly length: number;
  readonly cadence: number;
  readonly skipped: number;
  readonly jump: number | undefined;
  readonly knocked: boolean;
}

function causeOf({ length, cadence, skipped, jump, knocked }: Hole): string {
  const missing = Math.round(length / cadence);
  if (jump !== undefined && jump > 0 && Math.abs(jump - missing) <= Math.max(1, 0.2 * missing))
    return `${jump} file ${jump === 1 ? 'number is' : 'numbers are'} missing: taken, but deleted or not on this card`;
  const numbering = jump === 0 ? '; the numbering goes on without a jump' : '';
  if (knocked)
    return `a pause at the camera, a battery or the lens for example: the framing moved${numbering}`;
  if (missing <= 2 && skipped >= 2)
    return `the camera skipped shots: still writing (buffer), or the interval too short for shutter and writing${numbering}`;
  if (missing <= 2) return `one or two shots skipped: still writing, or a slow release${numbering}`;
  return `a longer pause: battery changed or empty, or stopped by hand${numbering}`;
}

/**
 * The real shutter where the cadence tells it from the nominal one, s: a run that starts a frame every 16 to
 * 17 s with "15 s" runs 16 s; one that starts them more often than every 16 s cannot.
 */
export function realShutter(
  exposureTime: number | undefined,
  cadence: number | undefined,
  steady: boolean,
): number | undefined {
  if (exposureTime === undefined || cadence === undefined || !steady) return undefined;
  for (const [nominal, real] of DOUBLING) {
    if (Math.abs(exposureTime - nominal) > 0.02 * nominal) continue;
    if (cadence >= nominal && cadence < real - 0.1) return nominal;
    if (cadence >= real && cadence <= 1.06 * real) return real;
  }
  return undefined;
}

/** In-camera dark subtraction: sure by the maker's note, likely when a frame starts every two shutters (P17). */
export function inCameraDark(
  shots: readonly Shot[],
  cadence: number | undefined,
): 'likely' | 'sure' | undefined {
  const noted = shots.map((shot) => shot.frame.header.longExposureNoiseReduction);
  const yes = noted.filter((value) => value === true).length;
  if (yes > shots.length / 2) return 'sure';
  if (noted.filter((value) => value === false).length > shots.length / 2) return undefined;
  const exposure = median(shots.map((shot) => shot.frame.header.exposureTime ?? Number.NaN));
  if (!(exposure >= 1) || cadence === undefined || shots.length < 3 || !isSteady(shots)) return undefined;
  // The real shutter may be 7 % longer than the nominal one, and writing takes a few seconds.
  return cadence >= 1.95 * exposure && cadence <= 2.15 * exposure + 4 ? 'likely' : undefined;
}
