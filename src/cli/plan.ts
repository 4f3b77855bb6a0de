import type { Command } from 'commander';
import type { PlanView } from '../workflow/index.js';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { type MapOptions, mapOf, withMap } from './_map-options.js';
import { planText } from './_plan-text.js';
import { shutter, table } from './_table.js';
import { count, date, position, positive, size, zone } from './_values.js';
import { registerFieldCard } from './field-card.js';

interface NewOptions extends SharedOptions, MapOptions {
  readonly site?: string;
  readonly at?: { latitude: number; longitude: number };
  readonly zone?: string;
  readonly night: string;
  readonly focal?: number;
  readonly crop?: number;
  readonly pitch?: number;
  readonly sensor?: { width: number; height: number };
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
      .option('--sensor <mm>', 'size of the sensor instead of the crop factor, as in 23.5x15.6', size)
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
      const {
        focal,
        pitch,
        sensor,
        aperture,
        trail,
        sky,
        library: _l,
        json: _j,
        quiet: _q,
        ...more
      } = options;
      const { lightMap: _m, mapUnit: _u, ...rest } = more;
      return outcome(
        await newPlan(context, {
          ...rest,
          ...mapOf(options),
          ...(trail === undefined ? {} : { trailTolerance: trail }),
          ...(sky === undefined ? {} : { skyBrightness: sky }),
          ...(focal === undefined ? {} : { focalLengthMm: focal }),
          ...(pitch === undefined ? {} : { pixelPitchUm: pitch }),
          ...(sensor === undefined ? {} : { sensorWidthMm: sensor.width, sensorHeightMm: sensor.height }),
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
      .argument('<id>', 'the plan')
      .option('--altitudes', 'where the target stands every 10 minutes, not every hour'),
  ).action((id: string, options: SharedOptions & { readonly altitudes?: boolean }) =>
    runCommand(options, async (context) => {
      const { showPlan } = await import('../workflow/index.js');
      return outcome(showPlan(context, id), options.altitudes);
    }),
  );
  registerFieldCard(plan);
}

function outcome(view: PlanView, everyAltitude = false) {
  const { plan, facts } = view;
  return { json: { plan, ...facts }, text: planText(view, { everyAltitude }) };
}
