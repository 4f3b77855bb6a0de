import { asText, known } from './_facts-text.js';
import { archInFrame, commonSky, type Framing } from './framing.js';
import { PLAN_DEFAULTS, type Plan, type PlanCamera } from './plan.js';
import type { ArchFacts, RunFacts, SeasonFacts, ShutterFacts, Suggestion } from './plan-facts-types.js';
import { cardSpace, framesForGain, framesInStretch, noiseGain, runDuration, skyTurn } from './run.js';
import { type SeasonView, seasonView } from './season.js';
import { longestLabel } from './shutter.js';
import type { Target } from './targets.js';
import type { Interval } from './zoned-time.js';

const GAINS = [2, 4, 6, 8, 10];

/** Values for what a plan leaves open, and the run of frames with them; no run without a shutter. */
export function runAndSuggestions(
  plan: Plan,
  {
    best,
    framing,
    camera,
    shutter,
  }: {
    readonly best: Interval | undefined;
    readonly framing: Framing | undefined;
    readonly camera: PlanCamera;
    readonly shutter: Pick<ShutterFacts, 'longestForTolerance' | 'tolerance'>;
  },
): { readonly run?: RunFacts; readonly suggestions: readonly Suggestion[] } {
  const limit = shutter.longestForTolerance;
  const time = plan.shutter ?? (limit === undefined ? undefined : longestLabel(limit));
  const timed = { ...plan, ...pictureSize(plan, camera), ...(time === undefined ? {} : { shutter: time }) };
  const room = runFacts(timed, { best, framing });
  const found = suggestions(plan, {
    ...shutter,
    ...(room === undefined ? {} : { framesInWindow: room.framesInWindow }),
  });
  const frames = plan.frames ?? found.find(({ field }) => field === 'frames')?.value;
  const run = runFacts(frames === undefined ? timed : { ...timed, frames }, { best, framing });
  const suggested = plan.shutter === undefined || plan.frames === undefined;
  return {
    suggestions: found,
    ...(run === undefined ? {} : { run: suggested ? { ...run, suggested } : run }),
  };
}

/** Size of the picture, px, from sensor and pixels where nobody gave it. */
function pictureSize(
  { imageWidth, imageHeight }: Plan,
  camera: PlanCamera,
): Pick<Plan, 'imageWidth' | 'imageHeight'> {
  if (imageWidth !== undefined && imageHeight !== undefined) return { imageWidth, imageHeight };
  const { pixelPitchUm, sensorWidthMm, sensorHeightMm, cropIsAssumed } = camera;
  if (pixelPitchUm === undefined || cropIsAssumed) return {};
  const pixels = (mm: number) => Math.round((1000 * mm) / pixelPitchUm);
  return { imageWidth: pixels(sensorWidthMm), imageHeight: pixels(sensorHeightMm) };
}

/** What the run of frames takes and gives; absent without a shutter. */
function runFacts(
  plan: Plan,
  { best, framing }: { readonly best: Interval | undefined; readonly framing: Framing | undefined },
): RunFacts | undefined {
  const { shutter: exposureTime, frames, imageWidth, imageHeight } = plan;
  if (exposureTime === undefined) return undefined;
  const pace = { exposureTime, pause: PLAN_DEFAULTS.pause };
  const duration = frames === undefined ? undefined : runDuration({ ...pace, frames });
  return known<RunFacts>({
    exposureTime,
    frames,
    duration,
    totalExposure: frames === undefined ? undefined : frames * exposureTime,
    noiseGain: frames === undefined ? undefined : noiseGain(frames),
    skyTurn: duration === undefined ? undefined : skyTurn(duration),
    commonSky:
      duration === undefined || framing === undefined
        ? undefined
        : commonSky(framing, { latitude: plan.site.latitude, duration }),
    cardBytes:
      frames === undefined || imageWidth === undefined || imageHeight === undefined
        ? undefined
        : cardSpace({ frames, imageWidth, imageHeight }),
    framesInWindow:
      best === undefined ? 0 : framesInStretch((best.end.getTime() - best.start.getTime()) / 1000, pace),
    forGain: GAINS.map((gain) => {
      const wanted = framesForGain(gain);
      return { gain, frames: wanted, duration: runDuration({ ...pace, frames: wanted }) };
    }),
  });
}

/** Where the galactic arch crosses the frame at both ends of the window; absent without one. */
export function archFacts(
  plan: Plan,
  { best, framing }: { readonly best: Interval | undefined; readonly framing: Framing | undefined },
): ArchFacts | undefined {
  if (best === undefined || framing === undefined) return undefined;
  const at = (instant: Date) => archInFrame(framing, { site: plan.site, instant });
  return {
    ...asText(best),
    aim: framing.aim,
    aspect: framing.widthMm / framing.heightMm,
    atStart: at(best.start),
    atEnd: at(best.end),
  };
}

/** The year ahead in a few lines. */
export function seasonFacts(plan: Plan, target: Target): SeasonFacts {
  const view = seasonView({
    site: plan.site,
    target,
    from: plan.night,
    ...(plan.minimumAltitude === undefined ? {} : { minimumAltitude: plan.minimumAltitude }),
  });
  return {
    best: view.best,
    months: view.months,
    evenings: view.evenings,
    text: seasonText(view, target.name),
  };
}

function seasonText({ nights, best, evenings }: SeasonView, name: string): string {
  if (best.length === 0)
    return `In the next 12 months no night gives an hour of dark sky with the ${name} up and the moon down.`;
  const always = nights.every(({ upInEvening }) => upInEvening);
  const spans = evenings.map(({ from, to }) => `from ${from} to ${to}`).join(' and ');
  const evening = always
    ? 'It is up in the evening all year'
    : spans === ''
      ? 'It is not up in the evening'
      : `It is up in the evening ${spans}`;
  return `The best night is ${best[0]!.night} with ${best[0]!.hours.toFixed(1)} h. ${evening}.`;
}

/** Values for what a plan leaves open, each with its reason. */
function suggestions(
  plan: Plan,
  facts: {
    readonly longestForTolerance?: number;
    readonly tolerance: number;
    readonly framesInWindow?: number;
  },
): Suggestion[] {
  const found: Suggestion[] = [];
  const limit = facts.longestForTolerance;
  const shutter = plan.shutter ?? (limit === undefined ? undefined : longestLabel(limit));
  if (plan.shutter === undefined && shutter !== undefined) {
    found.push({
      field: 'shutter',
      value: shutter,
      reason: `the longest setting that keeps the trail at the target within ${facts.tolerance} px`,
    });
  }
  if (plan.iso === undefined && plan.fNumber !== undefined && shutter !== undefined) {
    // From f/2.8, 20 s, ISO 3200 under a dark sky, common practice, to the nearest full stop.
    const stops = Math.log2(((plan.fNumber / 2.8) ** 2 * 20) / shutter);
    const value = 3200 * 2 ** Math.max(-2, Math.min(2, Math.round(stops)));
    found.push({
      field: 'iso',
      value,
      reason: `brings a dark sky well above the read noise at f/${plan.fNumber} and ${shutter} s; judge it by the histogram of a test shot`,
    });
  }
  if (plan.frames === undefined && shutter !== undefined) {
    const most = facts.framesInWindow;
    const value = most === undefined || most === 0 ? 36 : Math.min(36, most);
    found.push({
      field: 'frames',
      value,
      reason: `noise falls to 1/${noiseGain(value).toFixed(1)}${value < 36 ? ', as many as the window holds' : ''}; four times as many would halve it again`,
    });
  }
  return found;
}
