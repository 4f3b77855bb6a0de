import type { Interval } from './zoned-time.js';

/** A time (ms since 1970) at which a quantity passes zero. */
export interface Crossing {
  readonly time: number;
  readonly rising: boolean;
}

/** Zero of a continuous function between two points of unlike sign, to 20 ms. @source Illinois variant of regula falsi (Dowell & Jarratt, BIT 11 (1971) 168). */
function zeroBetween(f: (ms: number) => number, a: number, fa: number, b: number, fb: number): number {
  let [x0, f0, x1, f1] = [a, fa, b, fb];
  for (let i = 0; i < 60 && Math.abs(x1 - x0) > 20; i++) {
    let x = x1 - (f1 * (x1 - x0)) / (f1 - f0);
    // A false-position step that barely moves gives way to bisection, so that the loop always ends.
    if (i > 12) x = (x0 + x1) / 2;
    const fx = f(x);
    if (fx === 0) return x;
    if (fx > 0 !== f1 > 0) {
      x0 = x1;
      f0 = f1;
    } else {
      f0 /= 2;
    }
    x1 = x;
    f1 = fx;
  }
  return Math.abs(f0) < Math.abs(f1) ? x0 : x1;
}

/** The time of the smallest value between a and b of a function with one minimum there, to 1 s. @source golden section search (Kiefer 1953). */
export function minimumBetween(f: (ms: number) => number, a: number, b: number): number {
  const ratio = (Math.sqrt(5) - 1) / 2;
  let low = a;
  let high = b;
  let x1 = high - ratio * (high - low);
  let x2 = low + ratio * (high - low);
  let f1 = f(x1);
  let f2 = f(x2);
  while (high - low > 1000) {
    if (f1 < f2) {
      high = x2;
      x2 = x1;
      f2 = f1;
      x1 = high - ratio * (high - low);
      f1 = f(x1);
    } else {
      low = x1;
      x1 = x2;
      f1 = f2;
      x2 = low + ratio * (high - low);
      f2 = f(x2);
    }
  }
  return (low + high) / 2;
}

/**
 * Every zero of a smooth function in [start, end] (ms), in order. Samples every `step` ms; a dip or hump
 * between samples that reaches over zero and back (a grazing night) is found too.
 */
export function crossings(f: (ms: number) => number, start: number, end: number, step: number): Crossing[] {
  const count = Math.max(2, Math.ceil((end - start) / step));
  const times: number[] = [];
  for (let i = 0; i <= count; i++) times.push(start + ((end - start) * i) / count);
  const values = times.map(f);
  for (let i = 1; i < times.length - 1; i++) {
    const [before, here, after] = [values[i - 1]!, values[i]!, values[i + 1]!];
    const sign = here > 0 ? 1 : -1;
    const turning = sign * here <= sign * before && sign * here <= sign * after;
    if (!turning || before > 0 !== here > 0 || after > 0 !== here > 0) continue;
    const extreme = minimumBetween((t) => sign * f(t), times[i - 1]!, times[i + 1]!);
    const value = f(extreme);
    if (value > 0 === here > 0) continue;
    const at = extreme < times[i]! ? i : i + 1;
    times.splice(at, 0, extreme);
    values.splice(at, 0, value);
    i++;
  }
  const found: Crossing[] = [];
  for (let i = 1; i < times.length; i++) {
    if (values[i]! > 0 === values[i - 1]! > 0) continue;
    const time = zeroBetween(f, times[i - 1]!, values[i - 1]!, times[i]!, values[i]!);
    found.push({ time, rising: values[i]! > 0 });
  }
  return found;
}

/** The stretches of [start, end] (ms) where the function is above zero. */
export function stretchesAbove(
  f: (ms: number) => number,
  start: number,
  end: number,
  step: number,
): Interval[] {
  const stretches: Interval[] = [];
  let from: number | undefined = f(start) > 0 ? start : undefined;
  for (const { time, rising } of crossings(f, start, end, step)) {
    if (rising) from = time;
    else if (from !== undefined) {
      stretches.push({ start: new Date(from), end: new Date(time) });
      from = undefined;
    }
  }
  if (from !== undefined) stretches.push({ start: new Date(from), end: new Date(end) });
  return stretches;
}

/** What two lists of stretches have in common, in order. */
export function intersect(a: readonly Interval[], b: readonly Interval[]): Interval[] {
  const common: Interval[] = [];
  for (const x of a) {
    for (const y of b) {
      const start = Math.max(x.start.getTime(), y.start.getTime());
      const end = Math.min(x.end.getTime(), y.end.getTime());
      if (end > start) common.push({ start: new Date(start), end: new Date(end) });
    }
  }
  return common.sort((x, y) => x.start.getTime() - y.start.getTime());
}

/** Hours in a list of stretches. */
export const hoursIn = (stretches: readonly Interval[]): number =>
  stretches.reduce((sum, { start, end }) => sum + end.getTime() - start.getTime(), 0) / 3_600_000;
