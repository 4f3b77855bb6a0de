import { InputError } from '../core/index.js';
import { openLibrary, type SiteRecord, saveSite, siteNamed, sites } from '../library/index.js';
import { checkZone, zoneAt } from '../sky/index.js';
import { groundLightNote, type LightMapChoice, readPlaceOffMap } from './_light-map.js';
import { type LatLon, namelessSiteAt, positionOf, renameFoundSite } from './_site-choice.js';
import type { WorkflowContext } from './context.js';

/** What `addSite` is told; what is absent stays as it was. */
export interface SiteOptions {
  readonly name: string;
  readonly at?: LatLon | undefined;
  /** IANA zone; looked up from the position when absent. */
  readonly zone?: string | undefined;
  /** m */
  readonly elevation?: number | undefined;
  /** Darkest zenith brightness, mag/arcsec^2. */
  readonly skyBrightness?: number | undefined;
  /** A map to read that off, where it is not given. */
  readonly lightMap?: LightMapChoice | undefined;
  readonly notes?: string | undefined;
  /** Makes it the site of nights without any hint. */
  readonly isDefault?: boolean | undefined;
}

/**
 * Adds a named site, or corrects the one of that name. The first site becomes the default one.
 *
 * @returns the site, and what a map of ground light says beside it
 * @throws {InputError} a position, zone, elevation or brightness out of range; a place that the map does not hold
 * @throws {FormatError | StorageError} a light map that cannot be read
 */
export async function addSite(
  context: WorkflowContext,
  options: SiteOptions,
): Promise<SiteRecord & { readonly note?: string }> {
  const { at } = options;
  if (at && !(Math.abs(at.latitude) <= 90 && Math.abs(at.longitude) <= 180)) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a latitude within 90 and a longitude within 180 degrees for --at but received ${at.latitude},${at.longitude}; as in --at -31.25,20.5.`,
    );
  }
  if (options.zone !== undefined) checkZone(options.zone);
  const within = (
    name: string,
    value: number | undefined,
    [min, max]: readonly [number, number],
    unit: string,
  ) => {
    if (value !== undefined && !(value >= min && value <= max)) {
      throw new InputError(
        'VALUE_OUT_OF_RANGE',
        `Expected ${min} to ${max} ${unit} for --${name} but received ${value}.`,
      );
    }
  };
  within('elevation', options.elevation, [-500, 9000], 'm');
  within('sky', options.skyBrightness, [10, 23], 'mag/arcsec^2');
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  try {
    // A place that so far only the frames knew keeps its nights under the name it gets now.
    if (at) renameFoundSite(library, namelessSiteAt(library, at), options.name);
    const known = siteNamed(library, options.name);
    const zone = options.zone ?? (at ? zoneAt(at.latitude, at.longitude) : undefined);
    if (!known && zone === undefined) {
      throw new InputError(
        'USAGE',
        `Expected where ${options.name} is but received neither --at nor --zone; as in site add "${options.name}" --at -31.25,20.5.`,
      );
    }
    const place = at ?? (known && positionOf(known));
    if (options.lightMap && !place) {
      throw new InputError(
        'USAGE',
        `Expected where ${options.name} is to read it off a map but no position is known; add --at LAT,LON.`,
      );
    }
    const read =
      options.lightMap && options.skyBrightness === undefined
        ? await readPlaceOffMap(options.lightMap, place!)
        : undefined;
    const brightness = options.skyBrightness ?? read?.brightness;
    const saved = saveSite(library, {
      name: options.name,
      ...at,
      ...(zone === undefined ? {} : { zone }),
      ...(options.elevation === undefined ? {} : { elevation: options.elevation }),
      ...(brightness === undefined
        ? {}
        : { skyBrightness: brightness, skySource: read?.source ?? 'your meter' }),
      ...(options.notes === undefined ? {} : { notes: options.notes }),
      isDefault: options.isDefault ?? sites(library).length === 0,
    });
    return read && read.brightness === undefined ? { ...saved, note: groundLightNote(read) } : saved;
  } finally {
    library.close();
  }
}

/** All sites, by name. */
export function listSites(context: WorkflowContext): readonly SiteRecord[] {
  const library = openLibrary(context.libraryDir, { mode: 'read' });
  try {
    return sites(library);
  } finally {
    library.close();
  }
}
