import type { Command } from 'commander';
import type { PlanView } from '../workflow/index.js';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { shutter, table } from './_table.js';
import { count, date, position, positive, zone } from './_values.js';
import { registerFieldCard } from './field-card.js';

interface NewOptions extends SharedOptions {
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
  readonly notes?: string;
}

/** `plan new`, `plan list`, `plan show`. */
export function registerPlan(program: Command): void {
  const plan = program.command('plan').description('write and read plans for a night');
  withShared(
    plan
      .command('new')
      .description('write a plan for a night and see what the sky will do')
      .requiredOption('--night <date>', "the evening's local date, YYYY-MM-DD", date)
      .option('--site <name>', 'a named site')
      .option('--at <lat,lon>', 'its position in signed decimals, as in --at -31.25,20.5', position)
      .option('--zone <iana>', 'time zone, else found from the position', zone)
      .option('--focal <mm>', 'focal length, mm', positive)
      .option('--crop <x>', 'crop factor of the sensor against 36 x 24 mm', positive)
      .option('--pitch <um>', 'pixel pitch, um', positive)
      .option('--aperture <n>', 'f-number', positive)
      .option('--iso <n>', 'ISO setting', count)
      .option('--shutter <s>', 'shutter, s', positive)
      .option('--frames <n>', 'frames wanted', count)
      .option('--target <what>', 'core, arch, a bright object by name, or RA,DEC in degrees', 'core')
      .option('--notes <text>', 'anything to remember'),
  ).action((options: NewOptions) =>
    runCommand(options, async (context) => {
      const { newPlan } = await import('../workflow/index.js');
      const { focal, pitch, aperture, library: _l, json: _j, quiet: _q, ...rest } = options;
      return outcome(
        newPlan(context, {
          ...rest,
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
  if (facts.notes.length > 0) lines.push('', ...facts.notes.map((note) => `- ${note}`));
  lines.push(
    '',
    'Mind permission and local rules at the site, cold, footing, tides and traffic, and tell someone where you are.',
  );
  return lines.join('\n');
}
