import { many, median } from '../core/index.js';
import { fixed, known } from './_format.js';
import { widths } from './plan-and-fact.js';
import { knockSize, knocks, mainRun, spells } from './summary.js';
import type { Advice, ReportData, ReportRun } from './types.js';

type Rule = (run: ReportRun, data: ReportData) => Advice | undefined;

/** A trail that is seen at full size, px. Common practice: two to three pixels are hardly noticed. */
const LONG_TRAIL = 3;

const shorterShutter: Rule = (run) => {
  const trail = median(known(run.frames.map((frame) => frame.trailLength)));
  const exposure = run.realExposureTime ?? run.exposureTime;
  if (!(trail > LONG_TRAIL) || exposure === undefined) return undefined;
  const better = (exposure * 2) / trail;
  return {
    id: 'shorter-shutter',
    text: `Use a shutter of about ${fixed(better, better < 3 ? 1 : 0)} s with this lens and target.`,
    because: `Stars are ${fixed(trail, 1)} px long at ${fixed(exposure, 1)} s.`,
    effect: `A trail of 2 px; shoot ${fixed(trail / 2, 1)} times as many frames for the same total.`,
  };
};

const focus: Rule = (run) => {
  const soft = spells(run).filter((spell) => spell.code === 'soft');
  const frames = soft.flatMap((spell) => spell.frames);
  if (frames.length === 0) return undefined;
  return {
    id: 'check-focus',
    text: 'Check the focus on a bright star again during the run, and tape the ring.',
    because: `${many(frames.length, 'frame')} went soft, stars up to ${fixed(Math.max(...known(frames.map((frame) => frame.fwhmRatio))), 1)} times as wide as the best.`,
    effect: `${many(frames.length, 'more frame')} to stack.`,
  };
};

const heater: Rule = (run) => {
  const wet = run.frames.filter((frame) => frame.reasons.some((reason) => reason.code === 'dew'));
  const onset = run.frames.findIndex((frame) =>
    frame.remarks.some((remark) => remark.includes('dew on the lens')),
  );
  if (wet.length === 0 && onset < 0) return undefined;
  return {
    id: 'dew-heater',
    text: 'Keep the lens warm with a dew heater (follow its maker’s instructions, keep power banks dry).',
    because:
      onset >= 0
        ? `Dew began at frame ${onset + 1} of ${run.frames.length}.`
        : `${many(wet.length, 'frame')} show dew.`,
    effect: 'Sharp stars to the end of the run.',
  };
};

const shake: Rule = (run) => {
  const shaken = run.frames.filter((frame) => frame.reasons.some((reason) => reason.code === 'shaken'));
  if (shaken.length === 0) return undefined;
  const first = run.frames.slice(0, 2).some((frame) => shaken.includes(frame));
  return {
    id: first ? 'release' : 'steady-tripod',
    text: first
      ? 'Use a release or the self-timer, and let the tripod settle before the first frame.'
      : 'Hang some weight on the tripod, keep its legs short, and stay clear of it while it works.',
    because: `${many(shaken.length, 'frame')} ${shaken.length === 1 ? 'is' : 'are'} smeared in a way the sky does not move.`,
    effect: `${many(shaken.length, 'more frame')} to stack.`,
  };
};

const knocked: Rule = (run) => {
  const jolted = knocks(run);
  if (jolted.length === 0) return undefined;
  const sizes = jolted.map((frame) => knockSize(run, frame)).filter(Number.isFinite);
  return {
    id: 'guard-tripod',
    text: 'Keep feet, straps and bags away from the tripod while it works; a light string on a leg shows it in the dark.',
    because: `It was knocked ${jolted.length === 1 ? 'once' : `${jolted.length} times`}${sizes.length > 0 ? ` and the view moved by ${sizes.length > 1 ? 'up to ' : ''}${fixed(Math.max(...sizes), 0)} px` : ''}.`,
    effect: 'One framing of the land, sharp with all frames.',
  };
};

/** Corners softer than this times the middle are worth a stop of light. */
const SOFT_CORNERS = 1.4;

const stopDown: Rule = (run) => {
  const { middle, corners } = widths(run);
  if (!(corners > SOFT_CORNERS * middle) || run.fNumber === undefined || run.fNumber > 3.5) return undefined;
  return {
    id: 'stop-down',
    text: `Stop the lens down to about f/${fixed(run.fNumber * Math.SQRT2, 1)}.`,
    because: `Stars are ${fixed(corners, 1)} px wide in the corners and ${fixed(middle, 1)} px in the middle at f/${fixed(run.fNumber, 1)}.`,
    effect: 'Smaller stars in the corners for half the light: twice the frames give it back.',
  };
};

const ownDark: Rule = (run) => {
  if (run.inCameraDark === undefined) return undefined;
  return {
    id: 'no-camera-dark',
    text: 'Switch the camera’s long-exposure noise reduction off and shoot darks at the end instead.',
    because: `The camera ${run.inCameraDark === 'sure' ? 'took' : 'probably took'} a dark of its own after each of ${many(run.frames.length, 'frame')}.`,
    effect: 'Nearly twice the frames in the same time, and no holes in trails.',
  };
};

const lights: Rule = (run) => {
  const lit = run.frames.filter((frame) => frame.reasons.some((reason) => reason.code === 'glare'));
  if (lit.length < 2) return undefined;
  return {
    id: 'away-from-lights',
    text: 'Stand where no headlight or torch reaches the land in front of you, or pause when one comes.',
    because: `Light fell into ${many(lit.length, 'frame')}.`,
    effect: 'An even land in every frame.',
  };
};

const darks: Rule = (run, data) => {
  if (data.others.some((other) => other.role === 'dark')) return undefined;
  const warm = median(known(run.frames.map((frame) => frame.temperature)));
  if (run.frames.length === 0 || run.stack === undefined) return undefined;
  return {
    id: 'shoot-darks',
    text: 'Shoot ten or more darks at the end: lens cap on, same shutter and ISO, before the camera warms up.',
    because: `No darks match this run; defects were found from the run itself.${Number.isFinite(warm) ? ` The sensor stood at ${fixed(warm, 0)} deg C.` : ''}`,
    effect: 'Glow at the sensor’s edge and warm pixels come off more cleanly.',
  };
};

const moreDarks: Rule = (_run, data) => {
  const count = data.others
    .filter((other) => other.role === 'dark')
    .reduce((sum, other) => sum + other.frameCount, 0);
  if (count === 0 || count >= 8) return undefined;
  return {
    id: 'more-darks',
    text: 'Shoot ten or more darks.',
    because: `A master of ${many(count, 'dark')} adds ${fixed(100 * (Math.sqrt(1 + 1 / count) - 1), 0)} % noise of its own to each frame.`,
    effect: 'With ten it is 5 %.',
  };
};

const moreFrames: Rule = (run) => {
  const noise = run.stack?.noise;
  const used = run.stack?.framesUsed;
  if (!noise || used === undefined || used >= 30) return undefined;
  return {
    id: 'more-frames',
    text: `Shoot ${Math.max(30, 2 * used)} frames.`,
    because: `${many(used, 'frame')} brought the noise down ${fixed(noise.gain, 1)} times.`,
    effect: `About ${fixed(noise.gain * Math.sqrt(Math.max(30, 2 * used) / used), 1)} times.`,
  };
};

const later: Rule = (run) => {
  const bright = run.frames.filter((frame) => frame.reasons.some((reason) => reason.code === 'twilight'));
  if (bright.length === 0) return undefined;
  const atStart = bright.includes(run.frames[0]!);
  return {
    id: atStart ? 'start-later' : 'end-earlier',
    text: atStart ? 'Start the run after full darkness.' : 'End the run before dawn begins.',
    because: `${many(bright.length, 'frame')} were taken in twilight.`,
    effect: 'A darker sky behind the faint light.',
  };
};

const holes: Rule = (run) => {
  const lost = run.holes.reduce((sum, hole) => sum + hole.length, 0);
  if (run.cadence === undefined || lost < 2 * run.cadence) return undefined;
  return {
    id: 'no-holes',
    text: 'Check battery, card and interval: a fresh warm battery, and an interval longer than shutter plus write time.',
    because: `${many(run.holes.length, 'hole')} cost ${fixed(lost / 60, 1)} min.`,
    effect: `About ${many(Math.round(lost / run.cadence), 'more frame')}.`,
  };
};

const lowerIso: Rule = (run) => {
  const clipped = median(known(run.frames.map((frame) => frame.clippedShare)));
  if (!(clipped > 0.002) || run.iso === undefined) return undefined;
  return {
    id: 'lower-iso',
    text: `Try ISO ${Math.round(run.iso / 2)}.`,
    because: `${fixed(100 * clipped, 2)} % of the pixels are clipped at ISO ${run.iso}.`,
    effect: 'Bright stars keep their colour.',
  };
};

/** In order of what costs a picture most. */
const RULES: readonly Rule[] = [
  shorterShutter,
  heater,
  focus,
  shake,
  later,
  ownDark,
  holes,
  knocked,
  lights,
  stopDown,
  darks,
  moreDarks,
  lowerIso,
  moreFrames,
];

/** Up to five pieces of advice for the next night, each resting on a measurement of this one. */
export function nextTime(data: ReportData): Advice[] {
  const run = mainRun(data);
  if (!run) return [];
  return RULES.map((rule) => rule(run, data))
    .filter((advice) => advice !== undefined)
    .slice(0, 5);
}
