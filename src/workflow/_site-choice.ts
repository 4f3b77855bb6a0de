import { distanceKm, type FrameHeader, InputError } from '../core/index.js';
import {
  defaultSite,
  findPlan,
  type Library,
  type PlanRecord,
  plansOfNight,
  renameSite,
  type SiteRecord,
  saveSite,
  siteById,
  siteNamed,
  sites,
} from '../library/index.js';
import { checkZone, zoneAt } from '../sky/index.js';

/** A place on Earth, deg. */
export interface LatLon {
  readonly latitude: number;
  readonly longitude: number;
}

/** What a person said about where and when a card was shot. */
export interface PlaceOptions {
  readonly site?: string | undefined;
  readonly at?: LatLon | undefined;
  /** IANA zone. */
  readonly zone?: string | undefined;
  readonly planId?: string | undefined;
}

/** The site and zone of a night, and how they were found. */
export interface PlaceChoice {
  readonly site: SiteRecord | undefined;
  readonly zone: string;
  readonly plan: PlanRecord | undefined;
  /** `said` when a person named the site or the plan of it; such a choice outranks an existing session's site. */
  readonly source: 'said' | 'header' | 'plan' | 'default' | 'none';
  /** Sentences worth showing. */
  readonly notes: readonly string[];
}

/** Positions closer than this are one site: a night's walk around a tripod, and the error of a camera's receiver, km. */
const SAME_SITE_KM = 5;
/** A repeated `--at` may differ by this much, as from rounding, before it is taken for a contradiction, km. */
const SAME_POSITION_KM = 2;

export const positionOf = (site: SiteRecord): LatLon | undefined =>
  site.latitude === undefined || site.longitude === undefined
    ? undefined
    : { latitude: site.latitude, longitude: site.longitude };

const nearest = (library: Library, at: LatLon): SiteRecord | undefined =>
  sites(library)
    .map((site) => ({ site, position: positionOf(site) }))
    .filter((each) => each.position !== undefined)
    .map(({ site, position }) => ({ site, km: distanceKm(position!, at) }))
    .filter(({ km }) => km <= SAME_SITE_KM)
    .sort((a, b) => a.km - b.km)[0]?.site;

/** A site may be named within this of where the frames themselves said it is, km. */
const NAMING_KM = 1;

/** A position in words, for a site nobody named: `31.25 S 20.50 E`. */
const positionName = ({ latitude, longitude }: LatLon): string =>
  `${Math.abs(latitude).toFixed(2)} ${latitude < 0 ? 'S' : 'N'} ${Math.abs(longitude).toFixed(2)} ${longitude < 0 ? 'W' : 'E'}`;

/** True for a site that only has its position for a name, since nobody named it yet. */
const isNameless = (site: SiteRecord): boolean => {
  const position = positionOf(site);
  return position !== undefined && site.name === positionName(position);
};

/**
 * Gives a site that was found in the frames' headers the name that a person says, with its nights; nothing
 * happens where the site has a name of its own already or the new name is taken.
 *
 * @returns the site under its new name
 */
export function renameFoundSite(
  library: Library,
  found: SiteRecord | undefined,
  name: string | undefined,
): SiteRecord | undefined {
  if (found === undefined || name === undefined || !isNameless(found)) return undefined;
  return siteNamed(library, name) ? undefined : renameSite(library, found.id, name);
}

/** The nameless site at a position, if there is one. */
export const namelessSiteAt = (library: Library, at: LatLon): SiteRecord | undefined =>
  sites(library)
    .filter(isNameless)
    .map((site) => ({ site, km: distanceKm(positionOf(site)!, at) }))
    .filter(({ km }) => km <= NAMING_KM)
    .sort((a, b) => a.km - b.km)[0]?.site;

/**
 * The site named by `--site` and `--at`, made where it is new, or a nameless one there given its name.
 *
 * @throws {InputError} VALUE_OUT_OF_RANGE when the name is known at another position
 */
export function siteSaid(library: Library, options: PlaceOptions): SiteRecord | undefined {
  const { site: name, at, zone } = options;
  if (name === undefined && at === undefined) return undefined;
  if (zone !== undefined) checkZone(zone);
  if (name === undefined) {
    return (
      nearest(library, at!) ??
      saveSite(library, {
        name: positionName(at!),
        ...at!,
        zone: zone ?? zoneAt(at!.latitude, at!.longitude),
      })
    );
  }
  if (at !== undefined) renameFoundSite(library, namelessSiteAt(library, at), name);
  const known = siteNamed(library, name);
  const position = known && positionOf(known);
  if (at !== undefined && position !== undefined && distanceKm(position, at) > SAME_POSITION_KM) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected site ${known!.name} at its known position ${position.latitude},${position.longitude} but --at says ${at.latitude},${at.longitude}; use another name, or correct the site with site add.`,
    );
  }
  if (known && (at === undefined || position !== undefined)) return known;
  return saveSite(library, {
    name,
    ...(at ?? {}),
    ...(zone !== undefined ? { zone } : at ? { zone: zoneAt(at.latitude, at.longitude) } : {}),
  });
}

/** What the choice for one night rests on. */
export interface NightEvidence {
  readonly night: string;
  readonly headers: readonly FrameHeader[];
}

const systemZone = (): string => Intl.DateTimeFormat().resolvedOptions().timeZone || 'UTC';

/** The zone to read wall clocks in before any night is known. */
export function firstZone(library: Library, options: PlaceOptions): string {
  if (options.zone !== undefined) return checkZone(options.zone);
  const plan = options.planId === undefined ? undefined : findPlan(library, options.planId);
  const site =
    siteSaid(library, options) ??
    (plan?.siteId === undefined ? undefined : siteById(library, plan.siteId)) ??
    defaultSite(library);
  return site?.zone ?? plan?.zone ?? systemZone();
}

/**
 * Chooses the site of a night: what was said, else the named plan's, else the header's position, else the
 * only plan for that date, else the default site, else none, with the zone from `--zone` or the system.
 *
 * @throws {InputError} UNKNOWN_ID for a plan that is not there
 */
export function choosePlace(library: Library, options: PlaceOptions, evidence: NightEvidence): PlaceChoice {
  const named = options.planId === undefined ? undefined : findPlan(library, options.planId);
  const ofNight = plansOfNight(library, evidence.night);
  const planFor = (site: SiteRecord | undefined): PlanRecord | undefined =>
    named ?? onlyPlan(library, evidence.night, site);
  const done = (
    site: SiteRecord | undefined,
    source: PlaceChoice['source'],
    notes: string[] = [],
  ): PlaceChoice => {
    const plan = planFor(site);
    const zone = options.zone ?? site?.zone ?? (source === 'none' ? undefined : plan?.zone) ?? systemZone();
    return { site, zone, plan, source, notes };
  };
  const said = siteSaid(library, options);
  if (said) return done(said, 'said', positionNote(said));
  const plannedSite = named && siteOfPlan(library, named);
  if (plannedSite) return done(plannedSite, 'said');
  const gps = evidence.headers.find((header) => header.gps)?.gps;
  if (gps) {
    const site =
      nearest(library, gps) ??
      saveSite(library, {
        name: positionName(gps),
        latitude: gps.latitude,
        longitude: gps.longitude,
        zone: zoneAt(gps.latitude, gps.longitude),
        ...(gps.altitude === undefined ? {} : { elevation: gps.altitude }),
      });
    return done(site, 'header', [`The site is ${site.name}, from the position in the frames.`]);
  }
  const only = ofNight.length === 1 ? siteOfPlan(library, ofNight[0]!) : undefined;
  if (only)
    return done(only, 'plan', [`The site is ${only.name}, from the only plan for ${evidence.night}.`]);
  const usual = defaultSite(library);
  if (usual) return done(usual, 'default', [`The site is ${usual.name}, your default site.`]);
  return done(undefined, 'none');
}

/** The plan that a night at a site answers: the only one written for it. */
export function onlyPlan(
  library: Library,
  night: string,
  site: SiteRecord | undefined,
): PlanRecord | undefined {
  const fitting = plansOfNight(library, night).filter(
    ({ siteId }) => siteId === undefined || site === undefined || siteId === site.id,
  );
  return fitting.length === 1 ? fitting[0] : undefined;
}

/** One sentence about nights whose site nobody named. */
export function siteNotNamed(zone: string, nights: readonly string[], options: PlaceOptions): string {
  const which = nights.length === 1 ? '' : ` for ${nights.length} nights`;
  return `Site not named${which}: wall clocks are read in zone ${zone}${options.zone === undefined ? ' of this computer' : ''}; name the site with: nightcairn amend ${nights[0]} --site NAME --at LAT,LON`;
}

const positionNote = (site: SiteRecord): string[] =>
  positionOf(site) === undefined
    ? [
        `The position of ${site.name} is not known, so the sky cannot be reckoned; give it with: nightcairn site add "${site.name}" --at LAT,LON`,
      ]
    : [];

function siteOfPlan(library: Library, plan: PlanRecord): SiteRecord | undefined {
  if (plan.siteId !== undefined) return siteById(library, plan.siteId);
  if (plan.latitude === undefined || plan.longitude === undefined) return undefined;
  const at = { latitude: plan.latitude, longitude: plan.longitude };
  return siteSaid(library, { at, zone: plan.zone });
}
