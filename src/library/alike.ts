import { InputError } from '../core/index.js';
import { number, type Row, row, rows, text } from './_rows.js';
import { type SequenceJson, toSequence } from './contract.js';
import type { Library } from './library.js';
import { toSequenceRecord } from './sessions.js';

/** One thing in which two runs differ. */
export interface Difference {
  readonly of: 'settings' | 'sky' | 'results';
  readonly what: string;
  /** The other run's value, and that of the run asked about. */
  readonly there: string | number;
  readonly here: string | number;
  readonly unit?: string;
}

/** A run of lights like the one asked about. */
export interface AlikeRun {
  readonly sequence: SequenceJson;
  readonly site: string | undefined;
  readonly night: string;
  /** 1 = the same in everything that is known of both, falling toward 0. */
  readonly likeness: number;
  readonly differences: readonly Difference[];
}

/** A quantity that runs are compared in. */
interface Trait {
  readonly of: Difference['of'];
  readonly what: string;
  readonly unit?: string;
  /** Value in a row of `RUNS`. */
  readonly read: (cells: Row) => string | number | undefined;
  /** How far apart two values are: 0 = the same, 1 = as unlike as one step that a photographer would call one. */
  readonly apart: (a: string | number, b: string | number) => number;
  /** How much it says about likeness; 0 = told as a difference only. */
  readonly weight: number;
  /** Differences smaller than this are not worth telling, in steps. */
  readonly least: number;
}

const column = (name: string) => (cells: Row) => text(cells[name]) ?? number(cells[name]);
const steps =
  (size: number) =>
  (a: string | number, b: string | number): number =>
    Math.abs(Math.log2(Math.max(1e-9, Number(a)) / Math.max(1e-9, Number(b)))) / size;
const same = (a: string | number, b: string | number): number => (a === b ? 0 : 1);
const spans =
  (size: number) =>
  (a: string | number, b: string | number): number =>
    Math.abs(Number(a) - Number(b)) / size;
const months = (a: string | number, b: string | number): number => {
  const apart = Math.abs(Number(a) - Number(b));
  return Math.min(apart, 12 - apart) / 2;
};

const round = (digits: number, name: string) => (cells: Row) => {
  const value = number(cells[name]);
  return value === undefined ? undefined : Number(value.toFixed(digits));
};

/** A stop of light is one step; results are told but say nothing about likeness. */
const TRAITS: readonly Trait[] = [
  { of: 'settings', what: 'camera', read: column('camera'), apart: same, weight: 2, least: 1 },
  { of: 'settings', what: 'lens', read: column('lens'), apart: same, weight: 1, least: 1 },
  {
    ...{ of: 'settings', what: 'focal length', unit: 'mm', read: column('focal_length') },
    ...{ apart: steps(0.35), weight: 2, least: 0.15 },
  },
  // Two stops of aperture are a factor 2 of the f-number.
  {
    of: 'settings',
    what: 'aperture',
    unit: 'f',
    read: column('f_number'),
    apart: steps(0.5),
    weight: 1,
    least: 0.2,
  },
  {
    ...{ of: 'settings', what: 'shutter', unit: 's', read: column('exposure_time') },
    ...{ apart: steps(1), weight: 1, least: 0.2 },
  },
  { of: 'settings', what: 'ISO', read: column('iso'), apart: steps(1), weight: 1, least: 0.1 },
  { of: 'settings', what: 'frames', read: column('frame_count'), apart: steps(2), weight: 0.5, least: 0.3 },
  { of: 'sky', what: 'site', read: column('site'), apart: same, weight: 2, least: 1 },
  { of: 'sky', what: 'month', read: column('month'), apart: months, weight: 1, least: 0.5 },
  {
    ...{ of: 'sky', what: 'moonlight', unit: '%', read: round(0, 'moonlight') },
    ...{ apart: spans(30), weight: 1, least: 0.2 },
  },
  {
    ...{ of: 'results', what: 'kept', unit: '%', read: round(0, 'kept_share') },
    ...{ apart: spans(10), weight: 0, least: 0.5 },
  },
  {
    ...{ of: 'results', what: 'star size', unit: 'px', read: round(2, 'fwhm') },
    ...{ apart: steps(0.1), weight: 0, least: 0.5 },
  },
  {
    ...{ of: 'results', what: 'corner stars over middle', read: round(2, 'corner_ratio') },
    ...{ apart: spans(0.1), weight: 0, least: 0.5 },
  },
  {
    ...{ of: 'results', what: 'sky level', unit: 'ADU', read: round(0, 'background') },
    ...{ apart: steps(0.25), weight: 0, least: 0.5 },
  },
  {
    ...{ of: 'results', what: 'total exposure', unit: 's', read: round(0, 'total_exposure') },
    ...{ apart: steps(0.5), weight: 0, least: 0.3 },
  },
  {
    ...{ of: 'results', what: 'noise fell', unit: 'times', read: round(2, 'noise_gain') },
    ...{ apart: steps(0.2), weight: 0, least: 0.5 },
  },
  { of: 'results', what: 'spoiled most by', read: column('limiting'), apart: same, weight: 0, least: 1 },
];

const RUNS = `SELECT q.*, s.month, s.night, sites.name AS site,
    100.0 * q.kept / nullif(q.kept + q.doubtful + q.dropped, 0) AS kept_share,
    (SELECT body ->> '$.noise.gain' FROM stacks WHERE sequence_id = q.id ORDER BY stale, id DESC LIMIT 1) AS noise_gain
  FROM sequences q JOIN sessions s ON s.id = q.session_id LEFT JOIN sites ON sites.id = s.site_id`;

/** Likeness of two runs: falls by half when everything is a step apart; what is unknown of either says nothing. */
function likenessOf(a: Row, b: Row): number {
  let [sum, weights] = [0, 0];
  for (const { read, apart, weight } of TRAITS) {
    const [x, y] = [read(a), read(b)];
    if (weight === 0 || x === undefined || y === undefined) continue;
    sum += weight * Math.min(4, apart(x, y));
    weights += weight;
  }
  return weights === 0 ? 0 : 2 ** -(sum / weights);
}

function differencesOf(there: Row, here: Row): Difference[] {
  return TRAITS.flatMap(({ of, what, unit, read, apart, least }): Difference[] => {
    const [x, y] = [read(there), read(here)];
    if (x === undefined || y === undefined || apart(x, y) < least) return [];
    return [{ of, what, there: x, here: y, ...(unit === undefined ? {} : { unit }) }];
  });
}

/**
 * The runs of lights most like a given one, likest first, each with what differed: settings, sky, results.
 *
 * @param sequenceId a run of lights of the catalogue
 * @throws {InputError} UNKNOWN_ID when it is none
 */
export function alikeRuns(library: Library, sequenceId: string, limit = 10): AlikeRun[] {
  const here = row(library, `${RUNS} WHERE q.id = ?`, sequenceId);
  if (here?.role !== 'light') {
    throw new InputError(
      'UNKNOWN_ID',
      `Expected a run of lights such as SESSION/3 but ${JSON.stringify(sequenceId)} is ${here ? `one of ${here.role}s` : 'none'}.`,
    );
  }
  return rows(library, `${RUNS} WHERE q.role = 'light' AND q.frame_count > 0 AND q.id <> ?`, sequenceId)
    .map((cells) => ({ cells, likeness: likenessOf(cells, here) }))
    .sort((a, b) => b.likeness - a.likeness || (String(a.cells.id) < String(b.cells.id) ? -1 : 1))
    .slice(0, limit)
    .map(({ cells, likeness }) => ({
      sequence: toSequence(toSequenceRecord(cells)),
      site: text(cells.site),
      night: String(cells.night),
      likeness,
      differences: differencesOf(cells, here),
    }));
}
