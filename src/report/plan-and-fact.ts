import { many, median, SIDEREAL_RATE } from '../core/index.js';
import { clock, fixed, known, shutter } from './_format.js';
import { knockSize, knocks, mainRun } from './summary.js';
import type { PlanFactLine, ReportData, ReportRun } from './types.js';

const NOT_PLANNED = 'not planned';

function used(run: ReportRun): number {
  return run.frames.filter((frame) => frame.verdict === 'keep' || frame.verdict === 'doubt').length;
}

/** The table "plan and fact": one line a question, with what it meant for the picture. */
export function planAndFact(data: ReportData): PlanFactLine[] {
  const run = mainRun(data);
  const { plan, facts, session } = data;
  const zone = session.site.zone;
  const lines: PlanFactLine[] = [];
  const say = (what: string, planned: string | undefined, happened: string | undefined, meant: string) =>
    lines.push({ what, planned: planned ?? NOT_PLANNED, happened: happened ?? 'unknown', meant });

  say(
    'Site',
    plan?.siteName,
    session.site.name,
    !plan
      ? 'There was no plan to hold it against.'
      : plan.siteName !== session.site.name
        ? 'Another place than planned.'
        : 'As planned.',
  );
  if (!run) return lines;

  const window = plan?.facts?.window ?? facts?.window;
  const darkness = plan?.facts?.darkness ?? facts?.darkness;
  say(
    'Time',
    window?.start && window.end && plan
      ? `${clock(window.start, zone)} to ${clock(window.end, zone)}`
      : undefined,
    run.start && run.end ? `${clock(run.start, zone)} to ${clock(run.end, zone)}` : undefined,
    timeMeaning(run, window, darkness),
  );
  shutterLine(data, run, say);
  settingLine(
    'Aperture',
    plan?.fNumber,
    run.fNumber,
    (value) => `f/${fixed(value, 1)}`,
    say,
    apertureMeaning(run),
  );
  settingLine('ISO', plan?.iso, run.iso, (value) => `ISO ${value}`, say, isoMeaning(run));
  settingLine(
    'Focal length',
    plan?.focalLengthMm,
    run.focalLengthMm,
    (value) => `${fixed(value, 0)} mm`,
    say,
    focalMeaning(run),
  );

  say(
    'Frames',
    plan?.frames === undefined ? undefined : `${plan.frames}`,
    `${run.frames.length} shot, ${used(run)} usable`,
    framesMeaning(run, plan?.frames, run.frames.length - used(run)),
  );
  say(
    'Darkness',
    plan?.facts ? `${fixed(plan.facts.darkness.hours, 1)} h of full darkness` : undefined,
    darkShare(run),
    darkMeaning(run),
  );
  const moon = plan?.facts?.moon ?? facts?.moon;
  say(
    'Moon',
    plan?.facts ? `${Math.round(100 * plan.facts.moon.illumination)} % lit` : undefined,
    moonFact(run, moon?.illumination),
    moonMeaning(run, moon?.illumination),
  );
  const track = plan?.facts?.target ?? facts?.target;
  const heights = known(run.frames.map((frame) => frame.targetAltitude));
  say(
    'Target',
    plan?.facts?.target.transitAltitude === undefined
      ? plan?.target
      : `${plan.facts.target.name}, highest ${fixed(plan.facts.target.transitAltitude, 0)} deg`,
    heights.length > 0
      ? `${track?.name ?? 'target'} at ${fromTo(heights[0]!, heights.at(-1)!)} deg`
      : undefined,
    heights.length > 0 ? heightMeaning(median(heights)) : 'Where it stood cannot be said without a position.',
  );
  framingLine(data, run, say);
  const sky = facts?.sky ?? plan?.facts?.sky;
  if (sky?.brightness !== undefined) {
    say('Sky brightness', `${fixed(sky.brightness, 2)} mag/arcsec2`, 'not measured', sky.class ?? '');
  }
  return lines;
}

/** Two whole numbers as a range, or as one when they are the same. */
function fromTo(from: number, to: number): string {
  const [a, b] = [fixed(from, 0), fixed(to, 0)];
  return a === b ? a : `${a} to ${b}`;
}

type Say = (what: string, planned: string | undefined, happened: string | undefined, meant: string) => void;

function framingLine(data: ReportData, run: ReportRun, say: Say): void {
  const planned = data.plan?.facts?.run;
  const seconds = run.start && run.end ? (Date.parse(run.end) - Date.parse(run.start)) / 1000 : undefined;
  const jolts = knocks(run)
    .map((frame) => knockSize(run, frame))
    .filter(Number.isFinite);
  const share = data.facts?.run?.commonSky;
  say(
    'Framing',
    planned?.skyTurn === undefined ? undefined : `the sky turns ${fixed(planned.skyTurn, 1)} deg`,
    seconds === undefined
      ? undefined
      : `the sky turned ${fixed((SIDEREAL_RATE * seconds) / 3_600, 1)} deg${jolts.length > 0 ? `, ${jolts.length === 1 ? 'one knock of' : `${jolts.length} knocks of up to`} ${fixed(Math.max(...jolts), 0)} px` : ''}`,
    share === undefined
      ? 'Sky that only some frames saw is noisier at the rim.'
      : `About ${fixed(100 * share, 0)} % of the frame is sky that every frame saw; the rim is noisier.`,
  );
}

function shutterLine(data: ReportData, run: ReportRun, say: Say): void {
  const { plan } = data;
  const limits = plan?.facts?.shutter ?? data.facts?.shutter;
  const trail = median(known(run.frames.map((frame) => frame.trailLength)));
  const predicted = median(known(run.frames.map((frame) => frame.predictedTrail)));
  const planned =
    plan?.exposureTime === undefined
      ? undefined
      : `${shutter(plan.exposureTime)}${limits?.trailAtPlanned === undefined ? '' : `, a trail of ${fixed(limits.trailAtPlanned, 1)} px`}`;
  const real =
    run.realExposureTime !== undefined &&
    run.exposureTime !== undefined &&
    Math.abs(run.realExposureTime / run.exposureTime - 1) > 0.03
      ? ` (really ${fixed(run.realExposureTime, 1)} s)`
      : '';
  const happened = `${shutter(run.exposureTime)}${real}${Number.isFinite(trail) ? `, stars ${fixed(trail, 1)} px long at the middle` : ''}`;
  const meaning = !Number.isFinite(trail)
    ? 'The trail could not be measured.'
    : `${
        trail < 1.5
          ? 'Stars are points.'
          : trail < 3
            ? 'Stars are a little long at full size, round in a print.'
            : 'Stars are lines at full size; a shorter shutter would make points.'
      }${Number.isFinite(predicted) ? ` The turning sky explains ${fixed(predicted, 1)} px.` : ''}`;
  say('Shutter', planned, happened, meaning);
}

function settingLine(
  what: string,
  planned: number | undefined,
  happened: number | undefined,
  word: (value: number) => string,
  say: Say,
  meaning: string,
): void {
  const differs = planned !== undefined && happened !== undefined && Math.abs(happened / planned - 1) > 0.03;
  say(
    what,
    planned === undefined ? undefined : word(planned),
    happened === undefined ? undefined : word(happened),
    differs ? `Not as planned. ${meaning}` : meaning,
  );
}

/** Star widths over the usable frames of a run, px; NaN unknown. */
export function widths(run: ReportRun): { readonly middle: number; readonly corners: number } {
  const frames = run.frames.filter((frame) => frame.verdict !== 'drop');
  return {
    middle: median(known(frames.map((frame) => frame.fwhmMiddle ?? frame.fwhm))),
    corners: median(known(frames.map((frame) => frame.fwhmCorners))),
  };
}

function apertureMeaning(run: ReportRun): string {
  const { middle, corners } = widths(run);
  if (!Number.isFinite(middle)) return 'Star width unknown.';
  const corner = Number.isFinite(corners)
    ? ` and ${fixed(corners, 1)} px in the corners${corners > 1.4 * middle ? ': the lens is soft there' : ''}`
    : '';
  return `Stars are ${fixed(middle, 1)} px wide (fwhm) in the middle${corner}.`;
}

function isoMeaning(run: ReportRun): string {
  const clipped = median(known(run.frames.map((frame) => frame.clippedShare)));
  if (!Number.isFinite(clipped)) return 'Clipped share unknown.';
  const share = 100 * clipped;
  return share < 0.02
    ? `${fixed(share, 3)} % of the pixels are clipped: star colours are safe.`
    : `${fixed(share, 2)} % of the pixels are clipped: bright stars lose their colour.`;
}

function focalMeaning(run: ReportRun): string {
  const found = run.alignment?.focalLengthMm;
  return found === undefined
    ? 'The stars of this run do not tell the focal length.'
    : `The stars say ${fixed(found, 1)} mm.`;
}

function framesMeaning(run: ReportRun, wanted: number | undefined, dropped: number): string {
  const got = used(run);
  const noise = run.stack?.noise;
  const gain = noise ? ` Noise fell ${fixed(noise.gain, 2)} times (ideal ${fixed(noise.ideal, 2)}).` : '';
  if (wanted === undefined)
    return `${dropped === 0 ? 'None was lost.' : `${many(dropped, 'frame')} lost.`}${gain}`;
  if (got >= wanted) return `As many as wanted, or more.${gain}`;
  const loss = 100 * (Math.sqrt(wanted / Math.max(1, got)) - 1);
  return `${wanted - got} fewer than wanted: ${fixed(loss, 0)} % more noise than planned.${gain}`;
}

function timeMeaning(
  run: ReportRun,
  window: { readonly start?: string; readonly end?: string } | undefined,
  darkness: { readonly dusk?: string; readonly dawn?: string } | undefined,
): string {
  if (!run.start || !run.end) return 'The clock of the frames is unknown.';
  const late = darkness?.dawn !== undefined && run.end > darkness.dawn;
  const early = darkness?.dusk !== undefined && run.start < darkness.dusk;
  if (early) return 'The run began before full darkness.';
  if (late) return 'The run went on past the end of full darkness.';
  if (window?.start && window.end) {
    return run.start >= window.start && run.end <= window.end
      ? 'All of it inside the best window.'
      : 'Dark all the time, but partly outside the best window.';
  }
  const suns = known(run.frames.map((frame) => frame.sunAltitude));
  if (suns.length === 0) return 'How dark it was cannot be said without a position.';
  return Math.max(...suns) < -18 ? 'Dark all the time.' : 'Not fully dark all the time.';
}

function darkMeaning(run: ReportRun): string {
  const suns = known(run.frames.map((frame) => frame.sunAltitude));
  if (suns.length === 0) return 'How dark it was cannot be said without a position.';
  return Math.max(...suns) < -18
    ? 'No twilight in any frame.'
    : 'Twilight raises the sky and buries faint light.';
}

function darkShare(run: ReportRun): string | undefined {
  const suns = known(run.frames.map((frame) => frame.sunAltitude));
  if (suns.length === 0) return undefined;
  const dark = suns.filter((altitude) => altitude < -18).length;
  return dark === suns.length
    ? 'fully dark in every frame'
    : `fully dark in ${dark} of ${suns.length} frames`;
}

function moonFact(run: ReportRun, illumination: number | undefined): string | undefined {
  const altitudes = known(run.frames.map((frame) => frame.moonAltitude));
  if (altitudes.length === 0) return undefined;
  const highest = Math.max(...altitudes);
  if (highest <= 0) return 'below the horizon all the time';
  return `up to ${fixed(highest, 0)} deg high${illumination === undefined ? '' : `, ${Math.round(100 * illumination)} % lit`}`;
}

function moonMeaning(run: ReportRun, illumination: number | undefined): string {
  const altitudes = known(run.frames.map((frame) => frame.moonAltitude));
  if (altitudes.length === 0) return 'Where it stood cannot be said without a position.';
  if (Math.max(...altitudes) <= 0 || (illumination ?? 0) < 0.05) return 'No moonlight to speak of.';
  return 'Moonlight brightened the sky and took contrast from the band.';
}

function heightMeaning(altitude: number): string {
  if (altitude < 0) return 'Below the horizon: it was not in the picture.';
  if (altitude < 15) return 'Low: the air dims and reddens it and haze takes the faint parts.';
  return altitude < 35 ? 'High enough to stand clear of haze.' : 'High in clear air.';
}
