import { median, type Reason, type Verdict } from '../core/index.js';
import { round } from './_round.js';
import { ZONES } from './transparency.js';
import type { JudgeFrame, VerdictLimits } from './types.js';

/** Takes a verdict that a measurement asks for, with its reason. */
export type Say = (verdict: Verdict, reason: Reason) => void;

/** Levels of a frame over what its neighbours lead to expect; NaN where that is unknown. */
export interface FrameLevels {
  readonly sky: number;
  readonly land: number;
}

/** A level at equal exposure, so that brackets compare; ADU/s, or ADU where the exposure is unknown. */
export function perSecond(frame: JudgeFrame, level: number | undefined): number {
  if (level === undefined) return Number.NaN;
  return frame.exposureTime !== undefined && frame.exposureTime > 0 ? level / frame.exposureTime : level;
}

/** Neighbours looked at on each side. */
const REACH = 4;

/**
 * Altitude of the moon, deg, within which of the horizon its light comes or goes: refraction, its own breadth, the
 * glow that runs ahead of it and hills decide when.
 */
const MOON_EDGE = 2;

/** What the moon does to a frame. A sliver does nothing. */
function moonState(frame: JudgeFrame): 'dark' | 'edge' | 'lit' {
  const { moonAltitude, moonIllumination } = frame;
  if (moonAltitude === undefined || !((moonIllumination ?? 1) > 0.05) || moonAltitude < -MOON_EDGE)
    return 'dark';
  return moonAltitude > MOON_EDGE ? 'lit' : 'edge';
}

/**
 * Holds sky and land of each frame against its neighbours, itself left out. Frames under the moon are compared
 * with such frames only, those in which it rises or sets with none; and a steady rise or fall (twilight, a climbing moon, the band drifting in) is followed.
 *
 * @param cloudy frames behind cloud
 * @param share what each zone of each frame counts for in the sky's level, f64[frames*25]; default: the frame as a whole
 */
export function measureLevels(
  frames: readonly JudgeFrame[],
  cloudy: readonly boolean[],
  share?: Float64Array,
): FrameLevels[] {
  const whole = levelRatios(frames, (frame) => frame.measurement?.background, 0, cloudy);
  const sky = share ? zoneRatios(frames, cloudy, share, whole) : whole;
  // Black land has next to no light of its own: what falls on it must count beside the sky.
  const land = levelRatios(frames, (frame) => frame.measurement?.landLevel, 0.02);
  return frames.map((_, i) => ({ sky: sky[i]!, land: land[i]! }));
}

/**
 * The sky's ratio over some zones, each held against the same zone of the neighbours: darker corners and a glow
 * near the horizon are no light that came or went.
 *
 * @param whole ratio of the whole frame, for frames without zones
 */
function zoneRatios(
  frames: readonly JudgeFrame[],
  cloudy: readonly boolean[],
  share: Float64Array,
  whole: readonly number[],
): number[] {
  const cells = ZONES * ZONES;
  const byZone = Array.from({ length: cells }, (_, z) =>
    share.some((count, at) => at % cells === z && count > 0)
      ? levelRatios(frames, (frame) => frame.measurement?.zones[z]?.background, 0, cloudy)
      : undefined,
  );
  return whole.map((own, i) => {
    let sum = 0;
    let total = 0;
    byZone.forEach((ratios, z) => {
      const count = share[i * cells + z]!;
      if (!(count > 0) || !ratios || !Number.isFinite(ratios[i]!)) return;
      sum += count * ratios[i]!;
      total += count;
    });
    return total > 0 ? sum / total : own;
  });
}

/**
 * @param leastShare of the frame's sky level that an excess must reach to be one
 * @param leave frames that tell nothing of the level to expect
 */
function levelRatios(
  frames: readonly JudgeFrame[],
  level: (frame: JudgeFrame) => number | undefined,
  leastShare: number,
  leave: readonly boolean[] = [],
): number[] {
  // A level of nothing is as good as that share: no ratio is without end.
  const least = frames.map((frame) => leastShare * perSecond(frame, frame.measurement?.background));
  const values = frames.map((frame, i) => {
    const value = perSecond(frame, level(frame));
    return least[i]! > 0 ? Math.max(value, least[i]!) : value;
  });
  const moon = frames.map(moonState);
  return values.map((value, i) => {
    if (moon[i] === 'edge') return Number.NaN;
    const peers: number[] = [];
    for (let j = Math.max(0, i - REACH); j <= Math.min(frames.length - 1, i + REACH); j++) {
      if (j !== i && values[j]! > 0 && moon[j] === moon[i] && leave[j] !== true) peers.push(j);
    }
    if (peers.length < 3) return Number.NaN;
    const expected = trendAt(peers, values, i);
    return value > expected && value - expected < least[i]! ? 1 : value / expected;
  });
}

/**
 * The level that a steady change of the peers leads to at a frame: medians of their slopes and offsets in the
 * logarithm, so that one bright peer bends nothing.
 * @source P. K. Sen, J. Amer. Statist. Assoc. 63 (1968) 1379
 */
function trendAt(peers: readonly number[], values: readonly number[], at: number): number {
  const slopes: number[] = [];
  for (const [n, a] of peers.entries())
    for (const b of peers.slice(n + 1)) slopes.push(Math.log(values[b]! / values[a]!) / (b - a));
  const slope = median(slopes);
  return Math.exp(median(peers.map((j) => Math.log(values[j]!) - slope * (j - at))));
}

/** Judges stray light on land and sky, and twilight. */
export function judgeLevels(
  frame: JudgeFrame,
  levels: FrameLevels,
  clear: number,
  limits: VerdictLimits,
  say: Say,
): void {
  const sun = frame.sunAltitude;
  const twilight = sun !== undefined && sun > limits.twilightAltitude;
  if (levels.land > limits.glareLand) {
    say('doubt', {
      code: 'glare',
      value: round(levels.land),
      limit: limits.glareLand,
      text: `The land is ${round(levels.land, 1)} times as bright as in the frames around: a light fell on it.`,
    });
  } else if (levels.sky > limits.glareSky && !twilight && !(clear < limits.doubtTransparency)) {
    // A sky that brightens faster and faster toward day is twilight, which is said below.
    say('doubt', {
      code: 'glare',
      value: round(levels.sky),
      limit: limits.glareSky,
      text: `The sky is ${Math.round(100 * (levels.sky - 1))} % brighter than in the frames around: stray light.`,
    });
  }
  if (twilight) {
    say('doubt', {
      code: 'twilight',
      value: round(sun, 1),
      limit: limits.twilightAltitude,
      text: `The sun was only ${round(-sun, 1)} deg below the horizon: twilight brightens this frame.`,
    });
  }
}
