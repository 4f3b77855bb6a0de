import { InputError } from '../core/index.js';
import { number, present, type Row, real, row, rows, run, text } from './_rows.js';
import { inTransaction, type Library } from './library.js';
import { nameKey, slug } from './paths.js';
import type { PlanRecord, SiteRecord } from './records.js';
import { reindexWords } from './words.js';

const siteKey = (name: string): string => nameKey(name.trim().replace(/\s+/g, ' '));

/** Reads a site out of a row whose columns are those of `sites`. */
function toSite(cells: Row): SiteRecord {
  return present({
    id: number(cells.id!)!,
    name: text(cells.name!)!,
    latitude: number(cells.latitude),
    longitude: number(cells.longitude),
    zone: text(cells.zone),
    elevation: number(cells.elevation),
    skyBrightness: number(cells.sky_brightness),
    skySource: text(cells.sky_source),
    notes: text(cells.notes),
    isDefault: cells.is_default === 1,
  });
}

/** All sites, by name. */
export const sites = (library: Library): SiteRecord[] =>
  rows(library, 'SELECT * FROM sites ORDER BY key').map(toSite);

/** The site of that name; case and repeated spaces do not matter. */
export function siteNamed(library: Library, name: string): SiteRecord | undefined {
  const found = row(library, 'SELECT * FROM sites WHERE key = ?', siteKey(name));
  return found && toSite(found);
}

export function siteById(library: Library, id: number): SiteRecord | undefined {
  const found = row(library, 'SELECT * FROM sites WHERE id = ?', id);
  return found && toSite(found);
}

/** The site that nights without any hint belong to. */
export function defaultSite(library: Library): SiteRecord | undefined {
  const found = row(library, 'SELECT * FROM sites WHERE is_default = 1');
  return found && toSite(found);
}

/** What `saveSite` stores; absent fields keep what is known. */
export type SiteContent = Partial<Omit<SiteRecord, 'id'>> & { readonly name: string };

/** One spelling of a name. @throws {InputError} when nothing is left of it */
function cleanName(wanted: string): string {
  const name = wanted.trim().replace(/\s+/g, ' ');
  if (name === '') {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      'Expected a name for the site but received an empty one; as in --site "North Ridge".',
    );
  }
  return name;
}

/** The words by which the nights of a site are found hold its name. */
function reindexSessions(library: Library, siteId: number): void {
  for (const { id } of rows(library, 'SELECT id FROM sessions WHERE site_id = ?', siteId)) {
    reindexWords(library, 'session', String(id));
  }
}

/** Adds a site or updates the one of that name; returns it. */
export function saveSite(library: Library, site: SiteContent): SiteRecord {
  const name = cleanName(site.name);
  return inTransaction(library, () => {
    if (site.isDefault) run(library, 'UPDATE sites SET is_default = 0 WHERE is_default = 1');
    run(
      library,
      `INSERT INTO sites (name, key, latitude, longitude, zone, elevation, sky_brightness, sky_source, notes, is_default)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
       ON CONFLICT (key) DO UPDATE SET
         latitude = coalesce(excluded.latitude, latitude), longitude = coalesce(excluded.longitude, longitude),
         zone = coalesce(excluded.zone, zone), elevation = coalesce(excluded.elevation, elevation),
         sky_source = CASE WHEN excluded.sky_brightness IS NULL THEN sky_source ELSE excluded.sky_source END,
         sky_brightness = coalesce(excluded.sky_brightness, sky_brightness), notes = coalesce(excluded.notes, notes),
         is_default = max(is_default, excluded.is_default)`,
      name,
      siteKey(name),
      real(site.latitude),
      real(site.longitude),
      site.zone ?? null,
      real(site.elevation),
      real(site.skyBrightness),
      site.skySource ?? null,
      site.notes ?? null,
      site.isDefault ? 1 : 0,
    );
    const saved = siteNamed(library, name)!;
    reindexSessions(library, saved.id);
    return saved;
  });
}

/**
 * Gives a site another name; its nights stay with it.
 *
 * @throws {InputError} VALUE_OUT_OF_RANGE when the name is empty or belongs to another site
 */
export function renameSite(library: Library, id: number, wanted: string): SiteRecord {
  const name = cleanName(wanted);
  return inTransaction(library, () => {
    const other = siteNamed(library, name);
    if (other && other.id !== id) {
      throw new InputError(
        'VALUE_OUT_OF_RANGE',
        `Expected a new name for the site but ${other.name} is another one; choose another name.`,
      );
    }
    run(library, 'UPDATE sites SET name = ?, key = ? WHERE id = ?', name, siteKey(name), id);
    reindexSessions(library, id);
    return siteById(library, id)!;
  });
}

const toPlan = (cells: Row): PlanRecord => JSON.parse(text(cells.body!)!) as PlanRecord;

/** What `savePlan` stores; without an id a new, readable one is made. */
export type PlanContent = Omit<PlanRecord, 'id'> & { readonly id?: string };

/** Stores a plan and returns it with its id, such as `2026-08-13-sandpiper-flat` (`-2` where that is taken). */
export function savePlan(library: Library, content: PlanContent): PlanRecord {
  return inTransaction(library, () => {
    const site = content.siteId === undefined ? undefined : siteById(library, content.siteId);
    const base = `${content.night}-${slug(site?.name ?? 'plan')}`;
    let id = content.id ?? base;
    for (let n = 2; content.id === undefined && plan(library, id) !== undefined; n++) id = `${base}-${n}`;
    const record = present({ ...content, id }) as PlanRecord;
    run(
      library,
      `INSERT INTO plans (id, night, site_id, target, body) VALUES (?, ?, ?, ?, ?)
       ON CONFLICT (id) DO UPDATE SET night = excluded.night, site_id = excluded.site_id, target = excluded.target, body = excluded.body`,
      id,
      record.night,
      record.siteId ?? null,
      record.target ?? null,
      JSON.stringify(record),
    );
    for (const found of rows(library, 'SELECT id FROM sessions WHERE plan_id = ?', id)) {
      reindexWords(library, 'session', String(found.id));
    }
    return record;
  });
}

/** All plans, newest night first. */
export const plans = (library: Library): PlanRecord[] =>
  rows(library, 'SELECT body FROM plans ORDER BY night DESC, id').map(toPlan);

export function plan(library: Library, id: string): PlanRecord | undefined {
  const found = row(library, 'SELECT body FROM plans WHERE id = ?', id);
  return found && toPlan(found);
}

/** The plans for a night (`YYYY-MM-DD`). */
export const plansOfNight = (library: Library, night: string): PlanRecord[] =>
  rows(library, 'SELECT body FROM plans WHERE night = ? ORDER BY id', night).map(toPlan);

/**
 * The plan of that id, or the only one whose id starts so.
 *
 * @throws {InputError} UNKNOWN_ID
 */
export function findPlan(library: Library, wanted: string): PlanRecord {
  const exact = plan(library, wanted);
  if (exact) return exact;
  const begin = rows(
    library,
    'SELECT body FROM plans WHERE substr(id, 1, ?) = ?',
    [...wanted].length,
    wanted,
  );
  if (wanted !== '' && begin.length === 1) return toPlan(begin[0]!);
  const known = plans(library).map(({ id }) => id);
  throw new InputError(
    'UNKNOWN_ID',
    `Expected the id of a plan but received ${JSON.stringify(wanted)}; ${known.length === 0 ? 'there are no plans yet, make one with plan new' : `the plans are ${known.slice(0, 8).join(', ')}`}.`,
    { details: { id: wanted } },
  );
}
