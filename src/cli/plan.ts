import type { Command } from 'commander';
import type { PlanView } from '../workflow/index.js';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { type MapOptions, mapOf, withMap } from './_map-options.js';
import { duration, shutter, table } from './_table.js';
import { count, date, position, positive, zone } from './_values.js';
import { registerFieldCard } from './field-card.js';

type PlanFacts = PlanView['facts'];

interface NewOptions extends SharedOptions, MapOptions {
  readonly site?: string;
  readonly at?: { latitude: number; longitude: number };
  readonly zone?: string;
  readonly night: string;
  readonly focal?: number;
  readonly crop?: number;
  readonly pitch?: number;
  readonly aperture?: number;
  readonly iso?: number;
  readonly shutter?: number;
  readonly frames?: number;
  readonly target?: string;
  readonly camera?: string;
  readonly lens?: string;
  readonly portrait?: boolean;
  readonly trail?: number;
  readonly sky?: number;
  readonly notes?: string;
}

/** `plan new`, `plan list`, `plan show`. */
export function registerPlan(program: Command): void {
  const plan = program.command('plan').description('write and read plans for a night');
  const create = withMap(
    plan
      .command('new')
      .description('write a plan for a night and see what the sky will do')
      .requiredOption('--night <date>', "the evening's local date, YYYY-MM-DD", date)
      .option('--site <name>', 'a named site')
      .option('--at <lat,lon>', 'its position in signed decimals, as in --at -31.25,20.5', position)
      .option('--zone <iana>', 'time zone, else found from the position', zone)
      .option('--camera <name>', "part of a body's name: pitch and size come from your earlier nights")
      .option('--lens <name>', 'the lens, for your own memory')
      .option('--focal <mm>', 'focal length, mm', positive)
      .option('--crop <x>', 'crop factor of the sensor against 36 x 24 mm', positive)
      .option('--pitch <um>', 'pixel pitch, um', positive)
      .option('--portrait', 'the camera stands on its side')
      .option('--aperture <n>', 'f-number', positive)
      .option('--iso <n>', 'ISO setting', count)
      .option('--shutter <s>', 'shutter, s', positive)
      .option('--frames <n>', 'frames wanted', count)
      .option('--target <what>', 'core, arch, a bright object by name, or RA,DEC in degrees', 'core')
      .option('--trail <px>', 'trail you accept at the target, px (default: 2)', positive)
      .option('--sky <mag>', 'darkness by your meter, mag/arcsec2', positive)
      .option('--notes <text>', 'anything to remember'),
  );
  withShared(create).action((options: NewOptions) =>
    runCommand(options, async (context) => {
      const { newPlan } = await import('../workflow/index.js');
      const { focal, pitch, aperture, trail, sky, library: _l, json: _j, quiet: _q, ...more } = options;
      const { lightMap: _m, mapUnit: _u, ...rest } = more;
      return outcome(
        await newPlan(context, {
          ...rest,
          ...mapOf(options),
          ...(trail === undefined ? {} : { trailTolerance: trail }),
          ...(sky === undefined ? {} : { skyBrightness: sky }),
          ...(focal === undefined ? {} : { focalLengthMm: focal }),
          ...(pitch === undefined ? {} : { pixelPitchUm: pitch }),
          ...(aperture === undefined ? {} : { fNumber: aperture }),
        }),
      );
    }),
  );
  withShared(plan.command('list').description('all plans')).action((options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { listPlans } = await import('../workflow/index.js');
      const plans = listPlans(context);
      return {
        json: { plans },
        text:
          plans.length === 0
            ? 'No plans yet. Write one with: nightcairn plan new --night 2026-08-12 --at -31.25,20.5'
            : table(
                ['plan', 'night', 'site', 'target', 'frames', 'shutter'],
                plans.map((p) => [p.id, p.night, p.site?.name, p.target, p.frames, shutter(p.exposureTime)]),
              ),
      };
    }),
  );
  withShared(
    plan
      .command('show')
      .description('one plan, with darkness, moon, target and shutter worked out')
      .argument('<id>', 'the plan'),
  ).action((id: string, options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { showPlan } = await import('../workflow/index.js');
      return outcome(showPlan(context, id));
    }),
  );
  registerFieldCard(plan);
}

function outcome(view: PlanView) {
  const { plan, facts } = view;
  return { json: { plan, ...facts }, text: planText(view) };
}

/** A time of day in the plan's own zone, with the day when it is not the evening's. */
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
  return `${get('hour')}:${get('minute')}${day === night ? '' : ` (${get('day')}.${get('month')}.)`}`;
}

function planText({ plan, facts }: PlanView): string {
  const zoneName = plan.site?.zone ?? 'UTC';
  const at = (instant: string | undefined) => clock(instant, zoneName, plan.night);
  const { darkness, moon, target, shutter: limits, sky, window } = facts;
  const lines: string[] = [];
  const say = (name: string, text: string) => lines.push(`${name.padEnd(10)}  ${text}`);
  lines.push(
    `Plan ${plan.id}: ${plan.night} at ${plan.site?.name ?? 'a place without name'} (times in ${zoneName})`,
    '',
  );
  say(
    'dark',
    darkness.dusk && darkness.dawn
      ? `${at(darkness.dusk)} to ${at(darkness.dawn)}: ${darkness.text}`
      : darkness.text,
  );
  say(
    'moon',
    `${Math.round(100 * moon.illumination)} % lit, ${moon.waxing ? 'waxing' : 'waning'}; rises ${at(moon.rise)}, sets ${at(moon.set)}` +
      (moon.maxAltitude > 0
        ? `; up to ${Math.round(moon.maxAltitude)} deg high while it is dark`
        : '; below the horizon while it is dark'),
  );
  say(
    'target',
    `${target.name}: rises ${at(target.rise)}, highest ${at(target.transit)}` +
      (target.transitAltitude === undefined ? '' : ` at ${Math.round(target.transitAltitude)} deg`) +
      `, sets ${at(target.set)}`,
  );
  say(
    'window',
    window.start && window.end ? `${at(window.start)} to ${at(window.end)}: ${window.text}` : window.text,
  );
  if (sky.brightness !== undefined) {
    say(
      'sky',
      `${sky.brightness.toFixed(2)} mag/arcsec2${sky.class ? `, ${sky.class}` : ''}${sky.source ? ` (${sky.source})` : ''}`,
    );
  }
  if (plan.camera !== undefined || plan.pixelPitchUm !== undefined) {
    const parts = [
      plan.camera,
      plan.pixelPitchUm === undefined
        ? 'pixel pitch not known'
        : `pixel pitch ${plan.pixelPitchUm.toFixed(2)} um`,
      plan.portrait === true ? 'on its side' : undefined,
    ];
    say('camera', parts.filter((part) => part !== undefined).join(', '));
  }
  lines.push('');
  const rule = (
    name: string,
    seconds: number | undefined,
    trail: number | undefined,
  ): (string | undefined)[] => [
    name,
    seconds === undefined ? 'unknown' : `${seconds.toFixed(1)} s`,
    trail === undefined ? '' : `${trail.toFixed(1)} px`,
  ];
  lines.push(
    table(
      ['shutter', 'longest', 'trail at the target'],
      [
        rule('500 rule (common practice)', limits.rule500, limits.trailAtRule500),
        rule('NPF rule, simple', limits.npfSimple, limits.trailAtNpfSimple),
        rule('NPF rule, full', limits.npfFull, limits.trailAtNpfFull),
        rule('NPF rule, full, twice', limits.npfFull2, limits.trailAtNpfFull2),
        rule(`for a trail of ${limits.tolerance} px`, limits.longestForTolerance, limits.tolerance),
        ...(plan.exposureTime === undefined
          ? []
          : [
              [
                `as planned`,
                shutter(plan.exposureTime),
                limits.trailAtPlanned === undefined
                  ? 'unknown'
                  : `${limits.trailAtPlanned.toFixed(1)} px${
                      limits.cornerTrailAtPlanned === undefined
                        ? ''
                        : `, up to ${limits.cornerTrailAtPlanned.toFixed(1)} px in a corner`
                    }`,
              ],
            ]),
      ],
    ),
  );
  lines.push(...runText(facts), ...exposureText(facts), ...suggestionText(facts));
  if (facts.season) lines.push('', `The year  ${facts.season.text}`, ...seasonText(facts.season));
  if (facts.notes.length > 0) lines.push('', ...facts.notes.map((note) => `- ${note}`));
  lines.push(
    '',
    'Mind permission and local rules at the site, cold, footing, tides and traffic, and tell someone where you are.',
  );
  return lines.join('\n');
}

/** What the run takes and gives, and how many frames a quieter picture wants. */
function runText({ run }: PlanFacts): string[] {
  if (!run) return [];
  const lines: string[] = [''];
  if (run.frames !== undefined && run.duration !== undefined) {
    const parts = [
      `${run.frames} frames take ${duration(run.duration)}`,
      run.totalExposure === undefined ? '' : `${duration(run.totalExposure)} of exposure`,
      run.noiseGain === undefined ? '' : `noise falls ${run.noiseGain.toFixed(1)} times`,
      run.cardBytes === undefined ? '' : `up to ${(run.cardBytes / 1e9).toFixed(1)} GB on the card`,
    ].filter((part) => part !== '');
    lines.push(`The run   ${parts.join(', ')}.`);
    if (run.skyTurn !== undefined)
      lines.push(
        `          The sky turns ${run.skyTurn.toFixed(1)} deg meanwhile${run.commonSky === undefined ? '' : `; ${Math.round(100 * run.commonSky)} % of the frame is sky that every frame sees`}.`,
      );
  }
  const gains = run.forGain.map(
    ({ gain, frames, duration: time }) => `${gain} times: ${frames} (${duration(time)})`,
  );
  lines.push(
    `          The window holds ${run.framesInWindow} frames. Frames for noise lower by ${gains.join(', ')}.`,
  );
  return lines;
}

/** Whether the exposure is long enough for this sky and sensor, as the body's own frames told its noise. */
function exposureText({ exposure }: PlanFacts): string[] {
  if (!exposure) return [];
  return [
    '',
    exposure.skyLimited
      ? `Exposure  Limited by the sky: read noise adds only ${(100 * exposure.excessNoise).toFixed(0)} %; a higher ISO or a longer shutter would gain next to nothing.`
      : `Exposure  Not limited by the sky yet: read noise adds ${(100 * exposure.excessNoise).toFixed(0)} %; from ${exposure.skyLimitedFrom.toFixed(0)} s on it would not matter.`,
    ...(exposure.clippingMagnitude === undefined
      ? []
      : [
          `          Stars brighter than magnitude ${exposure.clippingMagnitude.toFixed(1)} clip${exposure.clippedShare === undefined ? '' : `, ${(100 * exposure.clippedShare).toFixed(1)} % of those to magnitude 8`}.`,
        ]),
  ];
}

const SUGGESTED = { shutter: 's', iso: '', frames: '' } as const;

function suggestionText({ suggestions }: PlanFacts): string[] {
  if (suggestions.length === 0) return [];
  return [
    '',
    'Left open in the plan:',
    ...suggestions.map(
      ({ field, value, reason }) => `  ${field.padEnd(8)}${`${value} ${SUGGESTED[field]}`.trim()}: ${reason}`,
    ),
  ];
}

/** The nights of the year ahead that give most. */
const seasonText = ({ best }: NonNullable<PlanFacts['season']>): string[] =>
  best.length === 0
    ? []
    : [
        `          Best: ${best
          .slice(0, 6)
          .map(({ night, hours }) => `${night} (${hours.toFixed(1)} h)`)
          .join(', ')}.`,
      ];
