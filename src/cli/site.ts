import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { table } from './_table.js';
import { number, position, positive, zone } from './_values.js';

interface AddOptions extends SharedOptions {
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
  withShared(
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
  ).action((name: string, options: AddOptions) =>
    runCommand(options, async (context) => {
      const { addSite } = await import('../workflow/index.js');
      const saved = addSite(context, {
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
        text: `${saved.name} ${place}, times in ${saved.zone ?? 'no zone yet'}.`,
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
                  s.skyBrightness,
                  s.isDefault ? 'default' : '',
                ]),
              ),
      };
    }),
  );
}
