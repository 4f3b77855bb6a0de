import { number, rows, text } from './_rows.js';
import type { Library } from './library.js';
import type { SearchQuery } from './search-query.js';
import { searchStatement } from './search-statement.js';

/** What one's own nights can be counted by. */
export const STATS_BY = ['site', 'lens', 'camera', 'month', 'iso'] as const;
export type StatsBy = (typeof STATS_BY)[number];

/** Lights of one site, lens, camera, month or ISO. */
export interface StatsRow {
  /** A name, a month 1 to 12, or an ISO; absent where the files do not say. */
  readonly key?: string | number;
  readonly nights: number;
  readonly frames: number;
  readonly kept: number;
  readonly doubtful: number;
  readonly dropped: number;
  /** Kept share of judged frames, 0..1; absent when none was judged. */
  readonly keepRate?: number;
  /** s over frames not dropped. */
  readonly totalExposure: number;
  /** Best median star size of a sequence, px. */
  readonly bestFwhm?: number;
  /** The reason that most often kept frames from being good. */
  readonly limiting?: string;
}

const KEYS: Record<StatsBy, string> = {
  site: 'sites.name',
  lens: 'q.lens',
  camera: 'q.camera',
  month: 's.month',
  iso: 'q.iso',
};

/**
 * Counts one's own lights by site, lens, camera, month or ISO, most nights first.
 *
 * @param within only the runs that this search finds; all of them when absent
 */
export function statsBy(library: Library, by: StatsBy, within?: SearchQuery): StatsRow[] {
  const only = within === undefined ? undefined : searchStatement(library, { ...within, role: 'light' });
  const from = `sequences q JOIN sessions s ON s.id = q.session_id LEFT JOIN sites ON sites.id = s.site_id
    WHERE q.role = 'light' AND q.frame_count > 0${only ? ` AND q.id IN (SELECT id FROM (${only.sql}))` : ''}`;
  const values = only ? [only.values] : [];
  const limiting = new Map<string, string>();
  for (const cells of rows(
    library,
    `SELECT ${KEYS[by]} AS key, q.limiting, sum(q.doubtful + q.dropped) AS n FROM ${from} AND q.limiting IS NOT NULL
     GROUP BY 1, 2 ORDER BY n DESC, q.limiting`,
    ...values,
  )) {
    const key = String(cells.key);
    if (!limiting.has(key)) limiting.set(key, String(cells.limiting));
  }
  return rows(
    library,
    `SELECT ${KEYS[by]} AS key, count(DISTINCT s.night) AS nights, sum(q.frame_count) AS frames, sum(q.kept) AS kept,
       sum(q.doubtful) AS doubtful, sum(q.dropped) AS dropped, sum(q.total_exposure) AS exposure, min(q.fwhm) AS fwhm
     FROM ${from} GROUP BY 1 ORDER BY nights DESC, frames DESC, key`,
    ...values,
  ).map((cells) => {
    const key = text(cells.key) ?? number(cells.key);
    const [kept, doubtful, dropped] = [number(cells.kept)!, number(cells.doubtful)!, number(cells.dropped)!];
    const judged = kept + doubtful + dropped;
    const fwhm = number(cells.fwhm);
    const reason = limiting.get(String(cells.key));
    return {
      ...(key === undefined ? {} : { key }),
      nights: number(cells.nights)!,
      frames: number(cells.frames)!,
      kept,
      doubtful,
      dropped,
      ...(judged === 0 ? {} : { keepRate: kept / judged }),
      totalExposure: number(cells.exposure)!,
      ...(fwhm === undefined ? {} : { bestFwhm: fwhm }),
      ...(reason === undefined ? {} : { limiting: reason }),
    };
  });
}
