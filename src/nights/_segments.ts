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
  const stray = new Set<number>();
  let last = 0;
  for (let i = 1; i < shots.length; i++) {
    const place = { i, from: last, to: shots.length, steps, stray, rate: STILL };
    if (changeAt(shots, place) !== 'framing') continue;
    last = whereBetween(shots, lastSeen(shots, place), i);
    cuts.set(last, NEW_FRAMING);
  }
  // Each framing has its own rate of the sky: only within one can smaller steps be told.
  const knocks = new Set<number>();
  for (const [from, to] of spans(cuts, shots.length)) {
    const rate = rateOf(steps.slice(from + 1, to));
    for (let i = from + 1; i < to; i++) {
      const change = changeAt(shots, { i, from, to, steps, stray, rate });
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
  /** Shots found shaken or lit, whose framing is not that of their neighbours; filled in. */
  readonly stray: Set<number>;
  readonly rate: { readonly x: number; readonly y: number; readonly scatter: number };
}

type Change = 'framing' | 'zoom' | 'knock' | undefined;

/** What happened between shot i-1 and shot i, if it lasted. */
function changeAt(shots: readonly Shot[], place: Place): Change {
  const { i, to, rate } = place;
  const before = lastSeen(shots, place);
  if (before < 0 || !shots[i]!.frame.glimpse) return undefined;
  const first = before === i - 1 ? place.steps[i] : holdAgainst(shots[before]!, shots[i]!, rate);
  const change = first && judgeStep(shots[i]!, first, rate);
  if (!change) return undefined;
  // A shaken or lit frame springs back: the next one is held against the one before.
  const next = nextSeen(shots, { i, to, before });
  if (next < 0) return change;
  const second = holdAgainst(shots[before]!, shots[next]!, rate);
  // Too long after, or too cloudy, to tell: what was seen stands.
  if (second?.match.verdict === 'unknown') return change;
  const lasting = second && judgeStep(shots[next]!, second, rate);
  if (!lasting) {
    if (second?.match.shift) place.stray.add(i);
    return undefined;
  }
  // What was a knock only and then another framing altogether is told where the framing changed.
  if (lasting === 'framing') return change === 'framing' ? 'framing' : undefined;
  return change === lasting ? change : 'knock';
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

/** Shots beyond this many, behind cloud or twilight, are no longer looked for. */
const LOOK_ROUND = 30;

/** Whether two shots show enough stars, and as many, to compare framings by. */
function comparable(a: Shot, b: Shot): boolean {
  const [p, q] = [a.frame.glimpse, b.frame.glimpse];
  if (!p || !q || p.peaks.length < 8 || q.peaks.length < 8) return false;
  return Math.min(p.starCount, q.starCount) >= 0.3 * Math.max(p.starCount, q.starCount);
}

/** The last shot before i to compare it with (cloud or twilight may lie between), else the one just before. */
function lastSeen(shots: readonly Shot[], { i, from, steps, stray }: Place): number {
  // Stars that match those of the shot just before leave nothing to look for further back.
  if (steps[i]?.match.shift && !stray.has(i - 1)) return i - 1;
  for (let k = i - 1; k >= Math.max(from, i - LOOK_ROUND); k--)
    if (!stray.has(k) && comparable(shots[k]!, shots[i]!)) return k;
  return shots[i - 1]!.frame.glimpse ? i - 1 : -1;
}

/** The next shot after i to compare with `before`, else the one just after. */
function nextSeen(
  shots: readonly Shot[],
  { i, to, before }: { i: number; to: number; before: number },
): number {
  for (let k = i + 1; k < Math.min(to, i + LOOK_ROUND); k++)
    if (comparable(shots[before]!, shots[k]!)) return k;
  return i + 1 < to && shots[i + 1]!.frame.glimpse ? i + 1 : -1;
}

/**
 * Places where the star size steps up or down for good: three shots on each side agree among themselves.
 * Shots without stars in between are passed over.
 */
function focusSteps(shots: readonly Shot[]): number[] {
  const seen = shots.flatMap((shot, at) => {
    const size = shot.frame.glimpse?.sharpness;
    return size === undefined ? [] : [{ at, size }];
  });
  const found: number[] = [];
  for (let i = 3; i + 3 <= seen.length; i++) {
    const before = seen.slice(i - 3, i).map(({ size }) => size);
    const after = seen.slice(i, i + 3).map(({ size }) => size);
    const ratio = median(after) / median(before);
    if (ratio < FOCUS_STEP && ratio > 1 / FOCUS_STEP) continue;
    // A step, not a slope: the whole change lies between these two shots.
    const step = seen[i]!.size / seen[i - 1]!.size;
    if (Math.abs(Math.log(step)) < 0.7 * Math.abs(Math.log(ratio))) continue;
    if (spread(before) > 1.2 || spread(after) > 1.2) continue;
    found.push(whereBetween(shots, seen[i - 1]!.at, seen[i]!.at));
  }
  return found;
}

const spread = (values: readonly number[]): number => Math.max(...values) / Math.min(...values);
