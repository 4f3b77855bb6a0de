import type { ReportData, ReportFrame } from './types.js';

/** What stands where the site's name was. */
export const HIDDEN_SITE = 'a place kept private';

/** Heights are told to this many deg: finer ones would give the place away. */
const COARSE = 10;

const coarse = (value: number | undefined): number | undefined =>
  value === undefined ? undefined : Math.round(value / COARSE) * COARSE;

function hideFrame(frame: ReportFrame): ReportFrame {
  const { sunAltitude, moonAltitude, targetAltitude, file: _file, ...rest } = frame;
  const heights = {
    // Full darkness and a moon that is down stay what they are; how far down does not.
    sunAltitude: sunAltitude === undefined ? undefined : sunAltitude < -18 ? -90 : coarse(sunAltitude),
    moonAltitude: moonAltitude === undefined ? undefined : moonAltitude <= 0 ? -90 : coarse(moonAltitude),
    targetAltitude: coarse(targetAltitude),
  };
  return {
    ...rest,
    ...Object.fromEntries(Object.entries(heights).filter(([, value]) => value !== undefined)),
  };
}

/** Fields that hold words of ours, never text from outside. */
const OUR_WORDS: ReadonlySet<string> = new Set([
  'id',
  'frameId',
  'verdict',
  'code',
  'kind',
  'role',
  'method',
]);

/** Replaces a place's name and its short form in every text of a record, whatever its case. */
function withoutName<T>(value: T, names: readonly string[]): T {
  if (typeof value === 'string') {
    let text: string = value;
    for (const name of names) {
      const pattern = new RegExp(name.replace(/[.*+?^${}()|[\]\\]/g, '\\$&'), 'giu');
      text = text.replace(pattern, HIDDEN_SITE);
    }
    return text as T;
  }
  if (Array.isArray(value)) return value.map((item: unknown) => withoutName(item, names)) as T;
  if (typeof value === 'object' && value !== null) {
    return Object.fromEntries(
      Object.entries(value).map(([key, item]) => [
        key,
        OUR_WORDS.has(key) ? (item as unknown) : withoutName(item as unknown, names),
      ]),
    ) as T;
  }
  return value;
}

/**
 * A report that does not tell where it was: no position, no site's name, no notes, no links to the originals,
 * and nothing of the sky from which a position could be worked out (times of dusk, heights to the degree).
 *
 * @param data not modified
 */
export function hidePlace(data: ReportData): ReportData {
  const { session, plan, facts: _facts, sky: _sky, ...rest } = data;
  const { site } = session;
  const slug = session.id.replace(/^\d{4}-\d{2}-\d{2}-?/, '');
  const names = [
    ...new Set(
      [site.name, plan?.siteName ?? '', slug].filter((name) => name.length >= 3 && name !== 'site not named'),
    ),
  ].sort((a, b) => b.length - a.length);
  const hidden: ReportData = {
    ...rest,
    session: { id: session.night, night: session.night, site: { name: HIDDEN_SITE, zone: site.zone } },
    ...(plan ? { plan: hidePlan(plan) } : {}),
    runs: data.runs.map((run) => ({
      ...run,
      sequenceId: run.sequenceId.replace(session.id, session.night),
      frames: run.frames.map(hideFrame),
      ...(run.stack ? { stack: { ...run.stack, files: {} } } : {}),
    })),
    remarks: [],
    notes: '',
  };
  return withoutName(hidden, names);
}

function hidePlan(plan: NonNullable<ReportData['plan']>): NonNullable<ReportData['plan']> {
  const { facts: _facts, notes: _notes, siteName, ...rest } = plan;
  return { ...rest, id: 'private', ...(siteName === undefined ? {} : { siteName: HIDDEN_SITE }) };
}
