import { json, number, rows, text } from './_rows.js';
import type { Library } from './library.js';

/** What one's own runs say of a lens at one aperture. */
export interface ApertureStats {
  readonly fNumber: number;
  readonly runs: number;
  /** Mean star size of the runs, px. */
  readonly fwhm: number;
  /** Star size in the corners over that in the middle; 1 = as sharp. Absent where it was not measured. */
  readonly cornerRatio?: number;
}

/** A lens at one focal length, by its measured stars. */
export interface LensStats {
  readonly lens: string;
  readonly focalLength?: number;
  /** Widest first. */
  readonly apertures: readonly ApertureStats[];
  /** f-number with the smallest stars seen; absent where only one was used. */
  readonly sharpest?: number;
  /** f-number with the least growth toward the corners. */
  readonly bestCorners?: number;
}

/** A body by what its own frames say. */
export interface BodyStats {
  readonly body: string;
  /** Lowest ISO first. gain in e-/ADU, readNoise in e-. */
  readonly isos: readonly {
    readonly iso: number;
    readonly gain?: number;
    readonly readNoise?: number;
    readonly hotPixels?: number;
  }[];
  /** The lowest ISO whose read noise is within a tenth of the least seen: more only clips stars sooner. */
  readonly bestIso?: number;
}

/** A night that went well. */
export interface BestNight {
  readonly sessionId: string;
  readonly night: string;
  readonly site?: string;
  readonly kept: number;
  readonly frames: number;
  readonly fwhm?: number;
  /** s */
  readonly totalExposure: number;
}

const smallest = <T>(list: readonly T[], of: (item: T) => number | undefined): T | undefined =>
  list.reduce<T | undefined>((best, item) => {
    const value = of(item);
    if (value === undefined) return best;
    return best === undefined || value < of(best)! ? item : best;
  }, undefined);

/** Lenses with the sharpness seen at each aperture, most runs first; only runs whose stars were measured. */
export function lensStats(library: Library): LensStats[] {
  const lenses = new Map<
    string,
    { lens: string; focalLength?: number; apertures: ApertureStats[]; runs: number }
  >();
  for (const cells of rows(
    library,
    `SELECT lens, focal_length, f_number, count(*) AS runs, avg(fwhm) AS fwhm, avg(corner_ratio) AS corners
     FROM sequences WHERE role = 'light' AND lens IS NOT NULL AND f_number IS NOT NULL AND fwhm IS NOT NULL
     GROUP BY lens, focal_length, f_number ORDER BY lens, focal_length, f_number`,
  )) {
    const lens = String(cells.lens);
    const focalLength = number(cells.focal_length);
    const key = `${lens} ${focalLength ?? ''}`;
    const entry = lenses.get(key) ?? {
      lens,
      ...(focalLength === undefined ? {} : { focalLength }),
      apertures: [],
      runs: 0,
    };
    const corners = number(cells.corners);
    entry.apertures.push({
      fNumber: number(cells.f_number)!,
      runs: number(cells.runs)!,
      fwhm: number(cells.fwhm)!,
      ...(corners === undefined ? {} : { cornerRatio: corners }),
    });
    entry.runs += number(cells.runs)!;
    lenses.set(key, entry);
  }
  return [...lenses.values()]
    .sort((a, b) => b.runs - a.runs || (a.lens < b.lens ? -1 : 1))
    .map(({ runs: _, ...entry }) => {
      const several = entry.apertures.length > 1;
      const sharpest = several ? smallest(entry.apertures, ({ fwhm }) => fwhm) : undefined;
      const corners = several ? smallest(entry.apertures, ({ cornerRatio }) => cornerRatio) : undefined;
      return {
        ...entry,
        ...(sharpest ? { sharpest: sharpest.fNumber } : {}),
        ...(corners ? { bestCorners: corners.fNumber } : {}),
      };
    });
}

/** Bodies with the gain and read noise that their own frames gave. */
export function bodyStats(library: Library): BodyStats[] {
  const bodies = new Map<string, BodyStats['isos'][number][]>();
  for (const cells of rows(library, 'SELECT body, iso, noise FROM bodies ORDER BY body, iso')) {
    const noise = json<{ gain?: number; readNoise?: number; hotPixels?: number }>(cells.noise) ?? {};
    const body = String(cells.body);
    const { gain, readNoise, hotPixels } = noise;
    bodies.set(body, [
      ...(bodies.get(body) ?? []),
      {
        iso: number(cells.iso)!,
        ...(gain === undefined ? {} : { gain }),
        ...(readNoise === undefined ? {} : { readNoise }),
        ...(hotPixels === undefined ? {} : { hotPixels }),
      },
    ]);
  }
  return [...bodies].map(([body, isos]) => {
    const least = smallest(isos, ({ readNoise }) => readNoise)?.readNoise;
    const best =
      isos.length < 2 || least === undefined
        ? undefined
        : isos.find(({ readNoise }) => readNoise !== undefined && readNoise <= 1.1 * least);
    return { body, isos, ...(best ? { bestIso: best.iso } : {}) };
  });
}

/** The nights with most light kept, best first. */
export function bestNights(library: Library, limit = 5): BestNight[] {
  return rows(
    library,
    `SELECT s.id, s.night, sites.name AS site, sum(q.kept) AS kept, sum(q.frame_count) AS frames, min(q.fwhm) AS fwhm,
       sum(q.total_exposure) AS exposure
     FROM sequences q JOIN sessions s ON s.id = q.session_id LEFT JOIN sites ON sites.id = s.site_id
     WHERE q.role = 'light' AND q.kept > 0 GROUP BY s.id
     ORDER BY sum(q.total_exposure * q.kept / q.frame_count) DESC, s.id LIMIT ?`,
    limit,
  ).map((cells) => {
    const [site, fwhm] = [text(cells.site), number(cells.fwhm)];
    return {
      sessionId: String(cells.id),
      night: String(cells.night),
      ...(site === undefined ? {} : { site }),
      kept: number(cells.kept)!,
      frames: number(cells.frames)!,
      ...(fwhm === undefined ? {} : { fwhm }),
      totalExposure: number(cells.exposure)!,
    };
  });
}
