import { compass } from '../core/index.js';
import type { PlanView } from '../workflow/index.js';
import { altitudeText, archText } from './_plan-sky-text.js';
import { duration, shutter, table } from './_table.js';
import { textWidth, wrap } from './_wrap.js';

type PlanFacts = PlanView['facts'];

/** A time of day in a zone, with the day when it is not the evening's. */
function clock(instant: string | undefined, zoneName: string, night: string): string {
  if (instant === undefined) return 'never';
  const parts = new Intl.DateTimeFormat('en-CA', {
    timeZone: zoneName,
    year: 'numeric',
    month: '2-digit',
    day: '2-digit',
    hour: '2-digit',
    minute: '2-digit',
    hourCycle: 'h23',
  }).formatToParts(new Date(instant));
  const get = (type: string) => parts.find((part) => part.type === type)?.value ?? '';
  const day = `${get('year')}-${get('month')}-${get('day')}`;
  const time = `${get('hour')}:${get('minute')}`;
  return day === night ? time : `${time} (${get('day')}.${get('month')}.)`;
}

/** How a plan is told: `everyAltitude` gives the target's place every 10 minutes instead of every hour. */
export interface PlanTextOptions {
  readonly everyAltitude: boolean;
}

/** A plan and all that was worked out from it, for a terminal. */
export function planText({ plan, facts }: PlanView, options: PlanTextOptions): string {
  const zoneName = plan.site?.zone ?? 'UTC';
  const at = (instant: string | undefined) => clock(instant, zoneName, plan.night);
  const width = textWidth();
  const say = (name: string, text: string) => wrap(name.padEnd(10), text, width);
  return [
    wrap('', `Plan ${plan.id}: ${plan.night} at ${plan.site?.name ?? 'a place without name'}`, width),
    `Times in ${zoneName}.`,
    '',
    ...nightText(facts, at).map(([name, text]) => say(name, text)),
    ...(facts.arch ? [say('arch', archText(facts.arch, at))] : []),
    ...cameraText(plan).map((text) => say('camera', text)),
    '',
    altitudeText(facts, { zone: zoneName, every: options.everyAltitude }),
    '',
    shutterText(plan, facts),
    ...paragraphs([runText(facts), exposureText(facts)], say),
    ...suggestionText(facts, width),
    ...(facts.season ? ['', say('the year', facts.season.text), '', ...seasonTables(facts.season)] : []),
    ...(facts.notes.length > 0 ? ['', ...facts.notes.map((note) => wrap('- ', note, width))] : []),
    '',
    wrap(
      '',
      'Mind permission and local rules at the site, cold, footing, tides and traffic, and tell someone where you are.',
      width,
    ),
  ].join('\n');
}

type At = (instant: string | undefined) => string;

/** Lines of the night: name and text. */
function nightText(facts: PlanFacts, at: At): (readonly [string, string])[] {
  const { darkness, target, sky, window } = facts;
  const steps = (all: readonly (readonly [string, string | undefined])[]) =>
    all.flatMap(([name, instant]) => (instant === undefined ? [] : [`${name} ${at(instant)}`])).join(', ');
  const evening = steps([
    ['sunset', darkness.sunset],
    ['civil dusk', darkness.civilDusk],
    ['nautical dusk', darkness.nauticalDusk],
  ]);
  const morning = steps([
    ['nautical dawn', darkness.nauticalDawn],
    ['civil dawn', darkness.civilDawn],
    ['sunrise', darkness.sunrise],
  ]);
  return [
    [
      'dark',
      darkness.dusk && darkness.dawn
        ? `${at(darkness.dusk)} to ${at(darkness.dawn)}: ${darkness.text}`
        : darkness.text,
    ],
    ...(evening === '' ? [] : [['evening', evening] as const]),
    ...(morning === '' ? [] : [['morning', morning] as const]),
    ['moon', moonText(facts, at)],
    ['target', targetText(target, at)],
    [
      'window',
      window.start && window.end ? `${at(window.start)} to ${at(window.end)}: ${window.text}` : window.text,
    ],
    ...(sky.brightness === undefined
      ? []
      : [
          [
            'sky',
            `${sky.brightness.toFixed(2)} mag/arcsec2${sky.class ? `, class ${sky.class}` : ''}${sky.source ? ` (${sky.source})` : ''}`,
          ] as const,
        ]),
  ];
}

function moonText({ moon, darkness }: PlanFacts, at: At): string {
  const { rise, set, maxAltitude, maxBrightening } = moon;
  const [dark, high] = [darkness.hours > 0 ? 'while it is dark' : 'in the night', Math.round(maxAltitude)];
  const path =
    rise === undefined && set === undefined
      ? maxAltitude > 0
        ? 'up all day and night'
        : 'never rises'
      : `rises ${at(rise)}, sets ${at(set)}`;
  const light =
    maxBrightening === undefined
      ? ''
      : maxBrightening >= 0.05
        ? `, brightens the sky at the target by up to ${maxBrightening.toFixed(1)} mag`
        : ', too faint or low to brighten the sky at the target';
  const place = high > 0 ? `up to ${high} deg high ${dark}${light}` : `below the horizon ${dark}`;
  return `${moon.phase}, ${Math.round(100 * moon.illumination)} % lit; ${path}; ${place}`;
}

function targetText(target: PlanFacts['target'], at: At): string {
  const rows = target.altitudes;
  const highest = rows.reduce((best, row) => (row.altitude > best.altitude ? row : best), rows[0]!);
  if (target.state === undefined) {
    return `${target.name}: its summit stands highest at ${at(highest.time)}, ${Math.round(highest.altitude)} deg in the ${compass(highest.azimuth)}`;
  }
  if (target.state === 'never-up') return `${target.name}: never rises at this latitude`;
  const transit = `highest ${at(target.transit)}${
    target.transitAltitude === undefined ? '' : ` at ${Math.round(target.transitAltitude)} deg`
  }`;
  return target.state === 'always-up'
    ? `${target.name}: never sets, ${transit}`
    : `${target.name}: rises ${at(target.rise)}, ${transit}, sets ${at(target.set)}`;
}

function cameraText(plan: PlanView['plan']): string[] {
  const { camera, lens, pixelPitchUm, sensorWidthMm, sensorHeightMm, portrait } = plan;
  const parts = [
    camera,
    lens,
    sensorWidthMm === undefined ? undefined : `sensor ${sensorWidthMm} x ${sensorHeightMm} mm`,
    pixelPitchUm === undefined
      ? camera === undefined
        ? undefined
        : 'pixel pitch not known'
      : `pixel pitch ${pixelPitchUm.toFixed(2)} um`,
    portrait === true ? 'on its side' : undefined,
  ].filter((part) => part !== undefined);
  return parts.length === 0 ? [] : [parts.join(', ')];
}

function shutterText(plan: PlanView['plan'], { shutter: limits }: PlanFacts): string {
  const px = (value: number | undefined) => (value === undefined ? '' : `${value.toFixed(1)} px`);
  const rule = (name: string, seconds: number | undefined, ...trails: (number | undefined)[]) =>
    seconds === undefined ? [] : [[name, `${seconds.toFixed(1)} s`, ...trails.map(px)]];
  const rows = [
    ...rule('500 rule (common practice)', limits.rule500, limits.trailAtRule500, limits.cornerTrailAtRule500),
    ...rule('NPF rule, simple', limits.npfSimple, limits.trailAtNpfSimple, limits.cornerTrailAtNpfSimple),
    ...rule('NPF rule, full', limits.npfFull, limits.trailAtNpfFull, limits.cornerTrailAtNpfFull),
    ...rule('NPF rule, full, twice', limits.npfFull2, limits.trailAtNpfFull2, limits.cornerTrailAtNpfFull2),
    ...rule(`for a trail of ${limits.tolerance} px`, limits.longestForTolerance, limits.tolerance, undefined),
    ...(plan.exposureTime === undefined
      ? []
      : [
          [
            'as planned',
            shutter(plan.exposureTime),
            px(limits.trailAtPlanned),
            px(limits.cornerTrailAtPlanned),
          ],
        ]),
  ];
  if (rows.length === 0) return 'How long the shutter may be needs the focal length (--focal).';
  return table(['shutter', 'longest', 'trail at the target', 'worst corner'], rows);
}

/** Paragraphs after an empty line each, the first sentence of each named. */
const paragraphs = (
  all: readonly (readonly [string, readonly string[]] | undefined)[],
  say: (name: string, text: string) => string,
): string[] =>
  all.flatMap((one) => (one ? ['', ...one[1].map((text, i) => say(i === 0 ? one[0] : '', text))] : []));

/** What the run takes and gives, and how many frames a quieter picture wants. */
function runText({ run }: PlanFacts): readonly [string, readonly string[]] | undefined {
  if (!run) return undefined;
  const lines: string[] = [];
  if (run.frames !== undefined && run.duration !== undefined) {
    const parts = [
      `${run.frames} frames of ${shutter(run.exposureTime)}${run.suggested ? ', as suggested below,' : ''} take ${duration(run.duration)}`,
      run.totalExposure === undefined ? '' : `${duration(run.totalExposure)} of exposure`,
      run.noiseGain === undefined ? '' : `noise falls ${run.noiseGain.toFixed(1)} times`,
      run.cardBytes === undefined ? '' : `up to ${(run.cardBytes / 1e9).toFixed(1)} GB on the card`,
    ].filter((part) => part !== '');
    lines.push(`${parts.join(', ')}.`);
    if (run.skyTurn !== undefined)
      lines.push(
        `The sky turns ${run.skyTurn.toFixed(1)} deg meanwhile${run.commonSky === undefined ? '' : `; ${Math.round(100 * run.commonSky)} % of the frame is sky that every frame sees`}.`,
      );
  }
  const gains = run.forGain.map(
    ({ gain, frames, duration: time }) => `${gain} times: ${frames} (${duration(time)})`,
  );
  lines.push(
    run.framesInWindow > 0 ? `The window holds ${run.framesInWindow} frames.` : 'There is no window for it.',
    `Frames for noise lower by ${gains.join(', ')}.`,
  );
  return ['the run', lines];
}

/** Whether the exposure is long enough for this sky and sensor, as the body's own frames told its noise. */
function exposureText({ exposure }: PlanFacts): readonly [string, readonly string[]] | undefined {
  if (!exposure) return undefined;
  const percent = (100 * exposure.excessNoise).toFixed(0);
  return [
    'exposure',
    [
      exposure.skyLimited
        ? `Limited by the sky: read noise adds only ${percent} %; a higher ISO or a longer shutter would gain next to nothing.`
        : `Not limited by the sky yet: read noise adds ${percent} %; from ${exposure.skyLimitedFrom.toFixed(0)} s on it would not matter.`,
      ...(exposure.clippingMagnitude === undefined
        ? []
        : [
            `Stars brighter than magnitude ${exposure.clippingMagnitude.toFixed(1)} clip${exposure.clippedShare === undefined ? '' : `, ${(100 * exposure.clippedShare).toFixed(1)} % of those to magnitude 8`}.`,
          ]),
    ],
  ];
}

const SUGGESTED = { shutter: 's', iso: '', frames: '' } as const;

function suggestionText({ suggestions }: PlanFacts, width: number): string[] {
  if (suggestions.length === 0) return [];
  return [
    '',
    'Left open in the plan, suggested:',
    ...suggestions.map(({ field, value, reason }) =>
      wrap(`  ${field.padEnd(8)}`, `${`${value} ${SUGGESTED[field]}`.trim()}: ${reason}`, width),
    ),
  ];
}

/** The year ahead: the nights that give most, and month by month. */
function seasonTables({ best, months }: NonNullable<PlanFacts['season']>): string[] {
  const moon = (share: number) => `${Math.round(100 * share)} %`;
  const nights = table(
    ['best nights', 'usable', 'dark', 'moon lit'],
    best.map((one) => [
      one.night,
      `${one.hours.toFixed(1)} h`,
      `${one.darkHours.toFixed(1)} h`,
      moon(one.moon).padStart(5),
    ]),
  );
  const year = table(
    ['month', 'its best', 'usable', 'moon lit', 'nights of 2 h or more', 'up in the evening'],
    months.map((one) => [
      one.month,
      one.best?.night ?? 'none',
      one.best === undefined ? '' : `${one.best.hours.toFixed(1)} h`.padStart(6),
      one.best === undefined ? '' : moon(one.best.moon).padStart(5),
      one.goodNights,
      one.evenings === one.nights ? 'every night' : one.evenings === 0 ? 'no' : `${one.evenings} nights`,
    ]),
  );
  return [...(best.length === 0 ? [] : [nights, '']), year];
}
