import { median, quantile } from '../core/index.js';
import { compareFraming, type FramingMatch, landLikeness, skyDrift } from './_framing.js';
import { idleBetween, type Shot } from './_order.js';

/** A part of a run of one framing, with the knocks it went through. */
export interface Framed {
  readonly shots: readonly Shot[];
  /** Shots at which a segment begins after a knock. */
  readonly knocks: readonly Shot[];
  /** Why this part does not continue the one before it, as a plain sentence; absent for the first. */
  readonly brokenBy?: string;
}

/** One shot held against an earlier one. */
interface Step {
  readonly match: FramingMatch;
  readonly seconds: number;
  readonly drift: number;
}

/** A knock below this share of the frame keeps the sequence (DESIGN: a quarter). */
const LARGEST_KNOCK = 0.25;
/** A zoom or refocus step shows as a change of size of this share. */
const ZOOM_STEP = 0.012;
/** A refocus shows as a step of the star size by this factor that lasts. */
const FOCUS_STEP = 1.5;

/** Cuts a run of lights where the framing, the zoom or the focus changed for good, and marks smaller knocks. */
export function frameRun(shots: readonly Shot[]): Framed[] {
  if (shots.length < 2) return [{ shots, knocks: [] }];
  const steps = stepsOf(shots);
  const cuts = new Map<number, string>();
  for (const at of focusSteps(shots)) cuts.set(at, 'The focus changed here for good.');
  let last = 0;
  for (let i = 1; i < shots.length; i++) {
    if (changeAt(shots, { i, from: last, to: shots.length, steps, rate: STILL }) !== 'framing') continue;
    cuts.set(whereBetween(shots, lastSeen(shots, i, last), i), NEW_FRAMING);
    last = i;
  }
  // Each framing has its own rate of the sky: only within one can smaller steps be told.
  const knocks = new Set<number>();
  for (const [from, to] of spans(cuts, shots.length)) {
    const rate = rateOf(steps.slice(from + 1, to));
    for (let i = from + 1; i < to; i++) {
      const change = changeAt(shots, { i, from, to, steps, rate });
      if (change === 'framing') cuts.set(i, NEW_FRAMING);
      else if (change === 'zoom') cuts.set(i, 'The zoom or focus ring moved: the picture changed its size.');
      else if (change === 'knock') knocks.add(i);
    }
  }
  return spans(cuts, shots.length).map(([from, to]) => {
    const brokenBy = cuts.get(from);
    return {
      shots: shots.slice(from, to),
      knocks: [...knocks].filter((at) => at > from && at < to).map((at) => shots[at]!),
      ...(brokenBy === undefined ? {} : { brokenBy }),
    };
  });
}

const NEW_FRAMING = 'The framing changed by a quarter of the frame or more.';

/**
 * The first shot of a new framing seen between a shot and a later one: where the land of neighbours is least
 * alike, else after the longest pause; frames without stars in between tell no more.
 */
function whereBetween(shots: readonly Shot[], before: number, seen: number): number {
  if (seen - before < 2) return seen;
  let leastAlike = 0.5;
  let byLand: number | undefined;
  let longest = 0;
  let byPause = seen;
  for (let k = before + 1; k <= seen; k++) {
    const [a, b] = [shots[k - 1]!, shots[k]!];
    const alike =
      a.frame.glimpse && b.frame.glimpse ? landLikeness(a.frame.glimpse, b.frame.glimpse) : Number.NaN;
    if (alike < leastAlike) {
      leastAlike = alike;
      byLand = k;
    }
    const pause = idleBetween(a, b);
    if (pause > longest + 2) {
      longest = pause;
      byPause = k;
    }
  }
  return byLand ?? byPause;
}

/** The stretches between cuts, as [from, to). */
function spans(cuts: ReadonlyMap<number, string>, length: number): [number, number][] {
  const borders = [0, ...[...cuts.keys()].sort((a, b) => a - b), length];
  return borders.slice(1).map((to, k) => [borders[k]!, to]);
}

/** Holds shot b against shot a. */
export function holdAgainst(
  a: Shot,
  b: Shot,
  rate?: { readonly x: number; readonly y: number },
): Step | undefined {
  if (!a.frame.glimpse || !b.frame.glimpse) return undefined;
  const seconds = ((b.startMs ?? Number.NaN) - (a.startMs ?? Number.NaN)) / 1000;
  const known = Number.isFinite(seconds) ? seconds : 60;
  const { header } = b.frame;
  const drift = skyDrift(header, known);
  const [width, height] = sizeOf(b);
  const match = compareFraming(a.frame.glimpse, b.frame.glimpse, {
    width,
    height,
    drift,
    expected: rate ? { x: rate.x * known, y: rate.y * known } : { x: 0, y: 0 },
  });
  return { match, seconds: known, drift };
}

/** Frame size, px: the header's, else what the peaks need. */
function sizeOf(shot: Shot): [number, number] {
  const { width, height } = shot.frame.header;
  if (width && height) return [width, height];
  const { peaks, thumbnail } = shot.frame.glimpse!;
  let furthest = 1;
  for (let i = 0; i < peaks.length; i += 2)
    furthest = Math.max(furthest, peaks[i]! / thumbnail.width, peaks[i + 1]! / thumbnail.height);
  return [furthest * thumbnail.width, furthest * thumbnail.height];
}

/** Each shot against the one before it. */
function stepsOf(shots: readonly Shot[]): (Step | undefined)[] {
  return shots.map((shot, i) => (i === 0 ? undefined : holdAgainst(shots[i - 1]!, shot)));
}

/** Usual motion of the sky over the run, px/s, and how far single steps scatter about it, px. */
function rateOf(steps: readonly (Step | undefined)[]): { x: number; y: number; scatter: number } {
  const moved = steps.filter((step) => step?.match.shift && step.seconds > 0) as (Step & {
    match: { shift: { x: number; y: number } };
  })[];
  if (moved.length === 0) return { x: 0, y: 0, scatter: 0 };
  const x = median(moved.map((step) => step.match.shift.x / step.seconds));
  const y = median(moved.map((step) => step.match.shift.y / step.seconds));
  const off = moved.map((step) =>
    Math.hypot(step.match.shift.x - x * step.seconds, step.match.shift.y - y * step.seconds),
  );
  return { x, y, scatter: quantile(off, 0.5) };
}

const STILL = { x: 0, y: 0, scatter: 0 };

/** A shot among its neighbours of one framing, from..to. */
interface Place {
  readonly i: number;
  readonly from: number;
  readonly to: number;
  readonly steps: readonly (Step | undefined)[];
  readonly rate: { readonly x: number; readonly y: number; readonly scatter: number };
}

type Change = 'framing' | 'zoom' | 'knock' | undefined;

/** What happened between shot i-1 and shot i, if it lasted. */
function changeAt(shots: readonly Shot[], place: Place): Change {
  const { i, from, to, rate } = place;
  const before = lastSeen(shots, i, from);
  if (before < 0 || !shots[i]!.frame.glimpse) return undefined;
  const first = before === i - 1 ? place.steps[i] : holdAgainst(shots[before]!, shots[i]!, rate);
  const change = first && judgeStep(shots[i]!, first, rate);
  if (!change) return undefined;
  // A shaken or lit frame springs back: the next one is held against the one before.
  const next = nextSeen(shots, i, to);
  if (next < 0) return change;
  const second = holdAgainst(shots[before]!, shots[next]!, rate);
  const lasting = second && judgeStep(shots[next]!, second, rate);
  if (!lasting) return undefined;
  return change === lasting ? change : change === 'framing' || lasting === 'framing' ? 'framing' : 'knock';
}

function judgeStep(shot: Shot, { match, seconds, drift }: Step, rate: Place['rate']): Change {
  if (match.verdict === 'different') return 'framing';
  if (!match.shift) return undefined;
  const [width, height] = sizeOf(shot);
  const x = match.shift.x - rate.x * seconds;
  const y = match.shift.y - rate.y * seconds;
  if (Math.abs(x) > LARGEST_KNOCK * width || Math.abs(y) > LARGEST_KNOCK * height) return 'framing';
  if (match.scale !== undefined && Math.abs(match.scale - 1) > ZOOM_STEP && drift < 0.02 * width)
    return 'zoom';
  const tolerance = Math.max(6, 0.0015 * Math.hypot(width, height), 0.5 * drift, 5 * rate.scatter);
  return Math.hypot(x, y) > tolerance ? 'knock' : undefined;
}

/** Whether a shot shows enough to compare framings by. */
const tells = (shot: Shot): boolean => (shot.frame.glimpse?.peaks.length ?? 0) >= 8;

/** The last shot before i that shows stars (cloud may lie between), else the one just before. */
function lastSeen(shots: readonly Shot[], i: number, from: number): number {
  if (!tells(shots[i]!)) return shots[i - 1]!.frame.glimpse ? i - 1 : -1;
  for (let k = i - 1; k >= Math.max(from, i - 12); k--) if (tells(shots[k]!)) return k;
  return shots[i - 1]!.frame.glimpse ? i - 1 : -1;
}

function nextSeen(shots: readonly Shot[], i: number, to: number): number {
  for (let k = i + 1; k < Math.min(to, i + 12); k++) if (tells(shots[k]!)) return k;
  return i + 1 < to && shots[i + 1]!.frame.glimpse ? i + 1 : -1;
}

/** Places where the star size steps up or down for good: three shots on each side agree among themselves. */
function focusSteps(shots: readonly Shot[]): number[] {
  const sizes = shots.map((shot) => shot.frame.glimpse?.sharpness ?? Number.NaN);
  const found: number[] = [];
  for (let i = 3; i + 3 <= sizes.length; i++) {
    const before = sizes.slice(i - 3, i);
    const after = sizes.slice(i, i + 3);
    if ([...before, ...after].some(Number.isNaN)) continue;
    const ratio = median(after) / median(before);
    if (ratio < FOCUS_STEP && ratio > 1 / FOCUS_STEP) continue;
    // A step, not a slope: the whole change lies between these two shots.
    const step = sizes[i]! / sizes[i - 1]!;
    if (Math.abs(Math.log(step)) < 0.7 * Math.abs(Math.log(ratio))) continue;
    if (spread(before) > 1.2 || spread(after) > 1.2) continue;
    if (found.length > 0 && i - found.at(-1)! < 3) continue;
    found.push(i);
  }
  return found;
}

const spread = (values: readonly number[]): number => Math.max(...values) / Math.min(...values);
