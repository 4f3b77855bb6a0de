import type { Alignment } from '../alignment/index.js';
import { median, type Reason, type Verdict } from '../core/index.js';
import { judgeLevels, measureLevels, perSecond, type Say } from './_levels.js';
import { round } from './_round.js';
import { runRemarks } from './_run-remarks.js';
import { findDewOnset } from './dew.js';
import { DEFAULT_LIMITS } from './limits.js';
import { type FrameShape, measureShapes } from './shape.js';
import { measureTransparency, ZONES } from './transparency.js';
import type { FrameJudgement, JudgeFrame, RunPhotometry, VerdictLimits } from './types.js';
import { starsByZone, type ZoneOfInterest } from './zone-of-interest.js';

/** What a run is judged by. */
export interface JudgeInput {
  /** Lights of one sequence in time order, the order of `alignment.frames`. */
  readonly frames: readonly JudgeFrame[];
  readonly alignment: Alignment;
  readonly photometry: RunPhotometry;
  readonly limits?: Partial<VerdictLimits>;
  /** The part of the sky that alone decides, where a frame shows enough of it; absent = the whole sky (P32, P34). */
  readonly interest?: ZoneOfInterest;
}

/** A whole run judged: one judgement a frame, and what must be said of the run as such. */
export interface RunJudgement {
  readonly frames: readonly FrameJudgement[];
  /** Plain sentences about the whole run, in absolute terms (P28). */
  readonly remarks: readonly string[];
}

const known = (value: number): number | undefined => (Number.isFinite(value) ? value : undefined);

/**
 * Judges every light of a run against what was to be expected of it (DEVELOPERS.md, "Verdicts").
 *
 * Pure and deterministic. A worse measurement never gives a better verdict; every drop carries a reason with
 * value and limit.
 */
export function judgeRun(input: JudgeInput): RunJudgement {
  const limits = { ...DEFAULT_LIMITS, ...input.limits };
  const { frames, alignment, photometry, interest } = input;
  const exposures = frames.map((frame) => frame.exposureTime ?? Number.NaN);
  const shapes = measureShapes(frames, alignment, interest?.stars);
  const transparency = measureTransparency(photometry, {
    width: alignment.width,
    height: alignment.height,
    exposures,
    sharp: shapes.map((shape) => !(shape.fwhmRatio > 1.1)),
    ...(interest ? { part: interest.stars } : {}),
  });
  const byInterest = frames.map((_, i) => Number.isFinite(transparency.part?.[i]));
  const dewStart = findDewOnset(
    shapes.map((shape) => shape.fwhmRatio),
    [...transparency.frame],
  );
  const levels = measureLevels(
    frames,
    Array.from(transparency.frame, (clear) => clear < limits.doubtTransparency),
    interest && starsByZone(photometry, interest, alignment),
  );
  const typicalStars = median(frames.map((frame) => frame.measurement?.stars.count ?? Number.NaN));

  const judged = frames.map((frame, i): FrameJudgement => {
    const reasons: { verdict: Verdict; reason: Reason }[] = [];
    const remarks: string[] = [];
    const say = (verdict: Verdict, reason: Reason) => reasons.push({ verdict, reason });
    const measurement = frame.measurement;
    const shape = shapes[i]!;
    const whole = transparency.frame[i]!;
    const inInterest = byInterest[i]!;
    const clear = inInterest ? transparency.part![i]! : whole;
    const inDew = dewStart !== undefined && i >= dewStart;
    if (!measurement) {
      say('drop', {
        code: 'unreadable',
        value: 0,
        limit: limits.minStars,
        text: 'The picture could not be read from the file, so no star could be found.',
      });
      return finish(frame, reasons, remarks, { weight: 0 });
    }
    const fit = alignment.frames[i];
    if (fit?.status !== 'fitted') {
      judgeUnfitted(measurement.stars.count, typicalStars, fit?.reason, limits, say);
    } else {
      judgeCloud(clear, limits, say, inInterest ? interest : undefined);
      judgeShape(shape, inDew, limits, say);
      // What falls on the land is no matter of the target's part of the sky.
      const { sky, land } = levels[i]!;
      judgeLevels(frame, { sky, land: inInterest ? Number.NaN : land }, clear, limits, say);
      if (inInterest && land > limits.glareLand) {
        remarks.push(
          `The land is ${round(land, 1)} times as bright as in the frames around: a light fell on it.`,
        );
      }
    }
    if (dewStart === i) remarks.push('From here on the stars swell and fade: dew on the lens.');
    for (const streak of measurement.streaks) {
      const length = Math.hypot(streak.x2 - streak.x1, streak.y2 - streak.y1);
      remarks.push(
        `A straight line of light, ${Math.round(length)} px long, crosses the frame; only its pixels are left out.`,
      );
    }
    if (frame.moonAltitude !== undefined && frame.moonAltitude > 0 && (frame.moonIllumination ?? 0) > 0.1) {
      remarks.push(
        `The moon stood ${Math.round(frame.moonAltitude)} deg high, ${Math.round(100 * frame.moonIllumination!)} % lit.`,
      );
    }
    const zone = Array.from(transparency.zone.subarray(i * ZONES * ZONES, (i + 1) * ZONES * ZONES));
    const clouded = zone.filter((value) => value < limits.doubtTransparency);
    const seen = zone.filter((value) => Number.isFinite(value));
    const noise = perSecond(frame, measurement.noise);
    const weight = noise > 0 ? (Number.isFinite(clear) ? Math.min(1.1, clear) : 1) ** 2 / noise ** 2 : 0;
    return finish(frame, reasons, remarks, {
      weight,
      ...optional('transparency', known(whole)),
      ...(inInterest ? { targetTransparency: clear } : {}),
      ...(seen.length > 0 ? { cloudCover: clouded.length / seen.length, zoneTransparency: zone } : {}),
      ...optional('fwhmRatio', known(shape.fwhmRatio)),
      ...optional('fwhmMinorRatio', known(shape.fwhmMinorRatio)),
      ...optional('predictedTrail', known(shape.predicted)),
      ...optional('trailLength', known(shape.measured)),
      ...optional('extraTrail', known(shape.extra)),
    });
  });
  const { frame: clear } = transparency;
  return {
    frames: judged,
    remarks: runRemarks({ frames, shapes, dewStart, clear, interest, byInterest }),
  };
}

function optional<K extends string>(key: K, value: number | undefined): Partial<Record<K, number>> {
  return value === undefined ? {} : ({ [key]: value } as Partial<Record<K, number>>);
}

function finish(
  frame: JudgeFrame,
  found: readonly { verdict: Verdict; reason: Reason }[],
  remarks: readonly string[],
  rest: Omit<FrameJudgement, 'id' | 'verdict' | 'reasons' | 'remarks'>,
): FrameJudgement {
  const verdict = found.some((item) => item.verdict === 'drop')
    ? 'drop'
    : found.some((item) => item.verdict === 'doubt')
      ? 'doubt'
      : 'keep';
  // The gravest reason first; a reason for doubt beside a drop is still worth reading.
  const reasons = [...found].sort((a, b) => Number(b.verdict === 'drop') - Number(a.verdict === 'drop'));
  return { id: frame.id, verdict, reasons: reasons.map((item) => item.reason), remarks, ...rest };
}

function judgeUnfitted(
  stars: number,
  typical: number,
  why: string | undefined,
  limits: VerdictLimits,
  say: Say,
): void {
  if (stars < Math.max(limits.minStars, 0.3 * typical)) {
    const limit = Math.max(limits.minStars, Math.round(0.3 * typical));
    say('drop', {
      code: typical > 3 * limits.minStars ? 'cloud' : 'few-stars',
      value: stars,
      limit,
      text:
        typical > 3 * limits.minStars
          ? `Only ${stars} stars came through where the run usually shows ${Math.round(typical)}: cloud, most likely.`
          : `Only ${stars} stars were found; ${limit} are needed to place the frame.`,
    });
    return;
  }
  say('drop', {
    code: 'moved',
    value: stars,
    limit: limits.minStars,
    text: `The stars do not fit the run's motion${why ? `: ${why.charAt(0).toLowerCase()}${why.slice(1).replace(/\.$/, '')}` : ''}.`,
  });
}

function judgeCloud(
  clear: number,
  limits: VerdictLimits,
  say: Say,
  interest: ZoneOfInterest | undefined,
): void {
  if (!Number.isFinite(clear) || clear >= limits.doubtTransparency) return;
  const drop = clear < limits.dropTransparency;
  const limit = drop ? limits.dropTransparency : limits.doubtTransparency;
  say(drop ? 'drop' : 'doubt', {
    code: 'cloud',
    value: round(clear, 3),
    limit,
    text: `${drop ? 'Cloud' : 'Thin cloud'}: only ${Math.round(100 * clear)} % of the stars' light came through${interest ? ` around ${interest.name}` : ''}.`,
  });
}

function judgeShape(shape: FrameShape, inDew: boolean, limits: VerdictLimits, say: Say): void {
  const longest = Math.max(limits.extraTrail, limits.extraTrailFwhm * shape.bestFwhm);
  const smeared = shape.extra > longest;
  if (smeared) {
    const along = angleBetween(shape.extraAngle, shape.predictedAngle) < 15 && shape.predicted > 1.5;
    say('drop', {
      code: along ? 'trailed' : 'shaken',
      value: round(shape.extra),
      limit: round(longest),
      text: along
        ? `The stars are ${round(shape.extra, 1)} px longer than the turning sky explains.`
        : `The stars are smeared by ${round(shape.extra, 1)} px in a way the sky does not move: the camera shook.`,
    });
  }
  if (limits.maxTrail !== undefined && shape.measured > limits.maxTrail) {
    say('drop', {
      code: 'trailed',
      value: round(shape.measured),
      limit: limits.maxTrail,
      text: `The stars trail ${round(shape.measured, 1)} px; you asked for at most ${limits.maxTrail} px.`,
    });
  }
  const ratio = shape.fwhmRatio;
  if (!(ratio > limits.doubtFwhmRatio) || (smeared && shape.fwhmMinorRatio < 1.15)) return;
  const drop = ratio > limits.dropFwhmRatio;
  const limit = drop ? limits.dropFwhmRatio : limits.doubtFwhmRatio;
  const wide = `${Math.round(100 * (ratio - 1))} % wider than in the run's best frames`;
  if (inDew) {
    say(drop ? 'drop' : 'doubt', {
      code: 'dew',
      value: round(ratio),
      limit,
      text: `Stars are ${wide} and still growing: dew on the lens.`,
    });
  } else if (shape.fwhmMinorRatio < 1.15) {
    say(drop ? 'drop' : 'doubt', {
      code: 'shaken',
      value: round(ratio),
      limit,
      text: `Stars are ${wide}, and only along one direction: a small shake.`,
    });
  } else {
    say(drop ? 'drop' : 'doubt', {
      code: 'soft',
      value: round(ratio),
      limit,
      text: `Stars are ${wide}: out of focus.`,
    });
  }
}

function angleBetween(a: number, b: number): number {
  const difference = Math.abs(a - b) % 180;
  return Math.min(difference, 180 - difference);
}
