import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { settings } from './_night-text.js';
import { duration, table } from './_table.js';

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
];

/** `search`. */
export function registerSearch(program: Command): void {
  const command = program
    .command('search')
    .description('past nights by settings, site, date, moon, target or words; a range is a..b')
    .option('--site <name>', "part of a site's name")
    .option('--near <lat,lon>', 'near a position')
    .option('--radius <km>', 'within this distance of --near')
    .option('--date <date>', 'a night, or a range of nights')
    .option('--month <month>', 'month of any year, 1 to 12, or a range')
    .option('--camera <name>', 'part of the name')
    .option('--lens <name>', 'part of the name');
  for (const [name, words] of RANGES) command.option(`--${name} <range>`, words);
  command
    .option('--role <role>', 'light, dark, flat, bias, test or other')
    .option('--target <name>', 'what the plan was for')
    .option('--text <words>', 'words in your notes')
    .option('--tag <tag...>', 'your own tags')
    .option('--has-plan', 'nights with a plan')
    .option('--has-stack', 'nights with a stack')
    .option('--sort <by>', 'date, kept, exposure, sharpness, moon or darkness')
    .option('--limit <n>', 'at most so many nights');
  withShared(command).action((options: SearchOptions) =>
    runCommand(options, async (context) => {
      const { searchFor } = await import('../workflow/index.js');
      const { library: _l, json: _j, quiet: _q, tag, ...rest } = options;
      const result = searchFor(context, { ...rest, ...(tag === undefined ? {} : { tags: tag as string[] }) });
      const rows = result.sessions.flatMap(({ session, sequences }) =>
        sequences.map((s) => [
          s.id,
          session.site.name,
          settings(s),
          s.role === 'light'
            ? `${s.kept + s.doubtful} of ${s.frameCount}`
            : `${s.frameCount} ${s.frameCount === 1 ? s.role : `${s.role}s`.replace('biass', 'biases')}`,
          duration(s.totalExposure),
        ]),
      );
      return {
        json: result,
        text:
          result.count === 0
            ? 'No night fits. Loosen a condition, as in: nightcairn search --iso 1600..6400'
            : `${result.count} ${result.count === 1 ? 'night' : 'nights'}\n\n${table(['sequence', 'site', 'settings', 'frames', 'exposure'], rows)}`,
      };
    }),
  );
}

/** `stats`. */
export function registerStats(program: Command): void {
  withShared(
    program.command('stats').description('what your own nights say, by site, lens, camera, month and ISO'),
  ).action((options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { stats } = await import('../workflow/index.js');
      const found = stats(context);
      const parts = Object.entries(found).flatMap(([by, rows]) =>
        rows.length === 0
          ? []
          : [
              table(
                [by, 'nights', 'frames', 'kept', 'exposure', 'best fwhm', 'what spoiled most'],
                rows.map((row) => [
                  row.key ?? 'unknown',
                  row.nights,
                  row.frames,
                  row.keepRate === undefined ? '' : `${Math.round(100 * row.keepRate)} %`,
                  duration(row.totalExposure),
                  row.bestFwhm === undefined ? '' : `${row.bestFwhm.toFixed(2)} px`,
                  row.limiting ?? '',
                ]),
              ),
              '',
            ],
      );
      return { json: found, text: parts.length === 0 ? 'No nights yet.' : parts.join('\n') };
    }),
  );
}
