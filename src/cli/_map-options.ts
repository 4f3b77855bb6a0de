import { type Command, Option } from 'commander';
import { InputError } from '../core/index.js';

const UNITS = ['mcd/m2', 'ratio', 'mag/arcsec2', 'nW/cm2/sr'] as const;

/** Options that read the sky's darkness off a map. */
export interface MapOptions {
  readonly lightMap?: string;
  readonly mapUnit?: (typeof UNITS)[number];
}

/** Adds `--light-map` and `--map-unit`. */
export const withMap = (command: Command): Command =>
  command
    .option('--light-map <file>', 'a GeoTIFF of light at night to read the darkness off')
    .addOption(
      new Option(
        '--map-unit <unit>',
        'what its numbers are: artificial brightness, its ratio to the natural sky, sky brightness, or ground light (default: mcd/m2)',
      ).choices(UNITS),
    );

/** The map that a command line names. @throws {InputError} USAGE for a unit without a map */
export function mapOf({ lightMap, mapUnit }: MapOptions): {
  lightMap?: { file: string; unit: (typeof UNITS)[number] };
} {
  if (lightMap === undefined) {
    if (mapUnit !== undefined)
      throw new InputError('USAGE', 'Expected --light-map FILE with --map-unit but received the unit alone.');
    return {};
  }
  return { lightMap: { file: lightMap, unit: mapUnit ?? 'mcd/m2' } };
}
