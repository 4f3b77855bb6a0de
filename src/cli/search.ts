import type { Command } from 'commander';
import { InputError } from '../core/index.js';
import type { Difference, SearchInput, StatsRow } from '../library/index.js';
import type { Stats, WorkflowContext } from '../workflow/index.js';
import { type Outcome, runCommand, type SharedOptions, withShared } from './_command.js';
import { settings } from './_night-text.js';
import { duration, table } from './_table.js';
import { count } from './_values.js';

interface SearchOptions extends SharedOptions {
  readonly [name: string]: string | string[] | boolean | undefined;
}

/** Options that take a value or a range, with their help. */
const RANGES: readonly (readonly [string, string])[] = [
  ['focal', 'focal length, mm'],
  ['aperture', 'f-number'],
  ['iso', 'ISO setting'],
  ['shutter', 'shutter, s'],
  ['kept', 'lights kept'],
  ['keep-rate', 'share of judged lights kept, %'],
  ['exposure', 'total exposure, s'],
  ['moon', 'moonlight, % lit; 0 = moon down'],
  ['fwhm', 'star size, px'],
  ['sky', 'darkness of the site, mag/arcsec2; 21.. = darker than 21'],
];

/** Adds the conditions that `search` and `stats` share. */
function withConditions(command: Command): Command {
  command
    .option('--site <name>', "part of a site's name")
    .option('--near <lat,lon>', 'near a position')
    .option('--radius <km>', 'within this distance of --near')
    .option('--date <date>', 'a night, or a range of nights')
    .option('--month <month>', 'month of any year, 1 to 12, or a range')
    .option('--camera <name>', 'part of the name')
    .option('--lens <name>', 'part of the name');
  for (const [name, words] of RANGES) command.option(`--${name} <range>`, words);
  return command
    .option('--target <name>', 'what the plan was for')
    .option('--toward <ra,dec>', 'runs that look there: core, a name, or a position in degrees')
    .option('--within <deg>', 'so far from it to the middle of the picture; default 20')
    .option('--text <words>', 'words in your notes')
    .option('--tag <tag...>', 'your own tags')
    .option('--has-plan', 'nights with a plan')
    .option('--has-stack', 'nights with a stack')
    .option('--without-plan', 'nights without one')
    .option('--without-stack', 'runs not stacked yet');
}

/** Conditions of a command line as the search wants them; undefined when there are none. */
function conditionsOf(options: SearchOptions): SearchInput | undefined {
  const { library: _l, json: _j, quiet: _q, like: _k, tag, withoutPlan, withoutStack, ...rest } = options;
  const all = {
    ...rest,
    ...(tag === undefined ? {} : { tags: tag as string[] }),
    ...(withoutPlan === true ? { hasPlan: false } : {}),
    ...(withoutStack === true ? { hasStack: false } : {}),
  };
  return Object.keys(all).length === 0 ? undefined : all;
}

/** `search`. */
export function registerSearch(program: Command): void {
  const command = withConditions(
    program
      .command('search')
      .description('past nights by settings, site, date, moon, target or words; a range is a..b'),
  )
    .option('--role <role>', 'light, dark, flat, bias, test or other')
    .option('--like <run>', 'runs most like this one, and what differed, instead of conditions')
    .option('--sort <by>', 'date, kept, exposure, sharpness, moon or darkness')
    .option('--limit <n>', 'at most so many nights');
  withShared(command).action((options: SearchOptions) =>
    runCommand(options, async (context) => {
      if (typeof options.like === 'string') return alike(context, options.like, options);
      const { searchFor } = await import('../workflow/index.js');
      const asked = conditionsOf(options);
      const result = searchFor(context, asked ?? {});
      const rows = result.sessions.flatMap(({ session, sequences }) =>
        sequences.map((s) => [
          s.id,
          session.site.name,
          settings(s),
          s.role === 'light'
            ? `${s.kept + s.doubtful} of ${s.frameCount}`
            : `${s.frameCount} ${s.frameCount === 1 ? s.role : `${s.role}s`.replace('biass', 'biases')}`,
          duration(s.totalExposure),
          s.thumbnail ?? '',
        ]),
      );
      const pictured = rows.some((row) => row.at(-1) !== '');
      const header = [
        'sequence',
        'site',
        'settings',
        'frames',
        'exposure',
        ...(pictured ? ['small picture'] : []),
      ];
      return {
        json: result,
        text:
          result.count === 0
            ? asked === undefined
              ? 'No nights yet. Bring the first one in with: nightcairn night CARD'
              : 'No night fits. Loosen a condition, as in: nightcairn search --iso 1600..6400'
            : `${result.count} ${result.count === 1 ? 'night' : 'nights'}\n\n${table(
                header,
                rows.map((row) => row.slice(0, header.length)),
              )}`,
      };
    }),
  );
}

/** `search --like RUN`: the likest runs with their differences. */
async function alike(context: WorkflowContext, wanted: string, options: SearchOptions): Promise<Outcome> {
  const others = Object.keys(conditionsOf(options) ?? {}).filter((name) => name !== 'limit');
  if (others.length > 0) {
    throw new InputError(
      'USAGE',
      `Expected --like alone or with --limit but received --${others[0]} too; conditions are for a search without --like.`,
    );
  }
  const { searchAlike } = await import('../workflow/index.js');
  const limit = typeof options.limit === 'string' ? count(options.limit) : 5;
  const { like, runs } = searchAlike(context, wanted, limit);
  const value = (each: Difference, side: 'there' | 'here') =>
    each.unit === 'f' ? `f/${each[side]}` : `${each[side]}${each.unit === undefined ? '' : ` ${each.unit}`}`;
  const told = runs.flatMap(({ sequence, site, night, likeness, differences }) => [
    '',
    `${sequence.id}  ${night}, ${site ?? 'site not named'}: ${(100 * likeness).toFixed(0)} % alike`,
    ...(['settings', 'sky', 'results'] as const).flatMap((of) => {
      const these = differences.filter((each) => each.of === of);
      return these.length === 0
        ? []
        : [
            `  ${of.padEnd(8)}  ${these.map((each) => `${each.what} ${value(each, 'there')} (here ${value(each, 'here')})`).join('; ')}`,
          ];
    }),
    ...(differences.length === 0 ? ['  nothing worth telling differs'] : []),
  ]);
  return {
    json: { like, count: runs.length, runs },
    text:
      runs.length === 0
        ? `There is no other run of lights to hold beside ${like.id}.`
        : [`Like ${like.id} (${settings(like)}):`, ...told].join('\n'),
  };
}

const COUNTED = ['site', 'lens', 'camera', 'month', 'iso'] as const;

/** `stats`. */
export function registerStats(program: Command): void {
  withShared(
    withConditions(
      program
        .command('stats')
        .description(
          'what your own nights say, by site, lens, camera, month and ISO; with conditions, only those runs',
        ),
    ),
  ).action((options: SearchOptions) =>
    runCommand(options, async (context) => {
      const { stats } = await import('../workflow/index.js');
      const input = conditionsOf(options);
      const found = stats(context, input);
      const parts = [
        ...COUNTED.map((by) => countTable(by, found[by])),
        // Bodies, lenses and best nights are of all nights.
        ...(input === undefined ? gearTables(found) : []),
      ].filter((part) => part !== '');
      const none = input === undefined ? 'No nights yet.' : 'No run of lights fits. Loosen a condition.';
      return { json: found, text: parts.length === 0 ? none : parts.join('\n\n') };
    }),
  );
}

const px = (value: number | undefined) => (value === undefined ? '' : `${value.toFixed(2)} px`);

function countTable(by: string, rows: readonly StatsRow[]): string {
  if (rows.length === 0) return '';
  return table(
    [by, 'nights', 'frames', 'kept', 'exposure', 'best stars', 'what spoiled most'],
    rows.map((row) => [
      row.key ?? 'unknown',
      row.nights,
      row.frames,
      row.keepRate === undefined ? '' : `${Math.round(100 * row.keepRate)} %`,
      duration(row.totalExposure),
      px(row.bestFwhm),
      row.limiting ?? '',
    ]),
  );
}

function gearTables({ lenses, bodies, bestNights }: Stats): string[] {
  const apertures = lenses.flatMap(({ lens, focalLength, apertures: seen, sharpest, bestCorners }) =>
    seen.map(({ fNumber, runs, fwhm, cornerRatio }) => [
      lens,
      focalLength === undefined ? '' : `${focalLength} mm`,
      `f/${fNumber}`,
      runs,
      px(fwhm),
      cornerRatio === undefined ? '' : `${cornerRatio.toFixed(2)} times as wide`,
      [sharpest === fNumber ? 'sharpest seen' : '', bestCorners === fNumber ? 'best corners' : '']
        .filter((text) => text !== '')
        .join(', '),
    ]),
  );
  const noise = bodies.flatMap(({ body, isos, bestIso }) =>
    isos.map(({ iso, gain, readNoise, hotPixels }) => [
      body,
      iso,
      gain === undefined ? '' : `${gain.toFixed(2)} e-/ADU`,
      readNoise === undefined ? '' : `${readNoise.toFixed(1)} e-`,
      hotPixels ?? '',
      bestIso === iso ? 'as quiet as it gets' : '',
    ]),
  );
  return [
    apertures.length === 0
      ? ''
      : table(['lens', 'at', 'aperture', 'runs', 'stars', 'corner stars', ''], apertures),
    noise.length === 0 ? '' : table(['body', 'ISO', 'gain', 'read noise', 'hot pixels', ''], noise),
    bestNights.length === 0
      ? ''
      : table(
          ['best nights', 'site', 'kept', 'exposure', 'best stars'],
          bestNights.map((night) => [
            night.sessionId,
            night.site ?? '',
            `${night.kept} of ${night.frames}`,
            duration(night.totalExposure),
            px(night.fwhm),
          ]),
        ),
  ];
}
