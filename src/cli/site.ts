import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { type MapOptions, mapOf, withMap } from './_map-options.js';
import { table } from './_table.js';
import { number, position, positive, zone } from './_values.js';

interface AddOptions extends SharedOptions, MapOptions {
  readonly at?: { latitude: number; longitude: number };
  readonly zone?: string;
  readonly elevation?: number;
  readonly sky?: number;
  readonly notes?: string;
  readonly default?: boolean;
}

/** `site add`, `site list`. */
export function registerSite(program: Command): void {
  const site = program.command('site').description('named sites');
  const add = withMap(
    site
      .command('add')
      .description('add a site, or change one')
      .argument('<name>', 'its name')
      .option('--at <lat,lon>', 'position in signed decimals, as in --at -31.25,20.5', position)
      .option('--zone <iana>', 'time zone, else found from the position', zone)
      .option('--elevation <m>', 'height above the sea, m', number)
      .option('--sky <mag>', 'darkest sky measured, mag/arcsec2', positive)
      .option('--notes <text>', 'anything to remember')
      .option('--default', 'the site of nights that name none'),
  );
  withShared(add).action((name: string, options: AddOptions) =>
    runCommand(options, async (context) => {
      const { addSite } = await import('../workflow/index.js');
      const saved = await addSite(context, {
        ...mapOf(options),
        name,
        at: options.at,
        zone: options.zone,
        elevation: options.elevation,
        skyBrightness: options.sky,
        notes: options.notes,
        isDefault: options.default,
      });
      const place =
        saved.latitude === undefined ? 'without a position' : `at ${saved.latitude},${saved.longitude}`;
      return {
        json: { site: saved },
        text: [
          `${saved.name} ${place}, times in ${saved.zone ?? 'no zone yet'}.`,
          ...(saved.skyBrightness === undefined
            ? []
            : [
                `Its sky: ${saved.skyBrightness.toFixed(2)} mag/arcsec2 by ${saved.skySource ?? 'your note'}.`,
              ]),
          ...(saved.note === undefined ? [] : [saved.note]),
        ].join('\n'),
      };
    }),
  );
  withShared(site.command('list').description('all sites')).action((options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { listSites } = await import('../workflow/index.js');
      const all = listSites(context);
      return {
        json: { sites: all },
        text:
          all.length === 0
            ? 'No sites yet. Add one with: nightcairn site add "Sandpiper Flat" --at -31.25,20.5'
            : table(
                ['site', 'latitude', 'longitude', 'zone', 'sky', ''],
                all.map((s) => [
                  s.name,
                  s.latitude,
                  s.longitude,
                  s.zone,
                  s.skyBrightness === undefined ? '' : s.skyBrightness.toFixed(2),
                  s.isDefault ? 'default' : '',
                ]),
              ),
      };
    }),
  );
}
