import {
  type AlikeRun,
  alikeRuns,
  type BestNight,
  type BodyStats,
  bestNights,
  bodyStats,
  findSequences,
  type LensStats,
  lensStats,
  openLibrary,
  parseSearch,
  type SearchInput,
  type SearchQuery,
  type SearchResult,
  type SequenceJson,
  type StatsBy,
  type StatsRow,
  searchLibrary,
  statsBy,
  toSequence,
} from '../library/index.js';
import type { WorkflowContext } from './context.js';

/** Looks for past sessions; an empty or missing library has none, which is no error. */
export function search(context: WorkflowContext, query: SearchQuery): SearchResult {
  const library = openLibrary(context.libraryDir, { mode: 'read', oneMoment: true });
  try {
    return searchLibrary(library, query);
  } finally {
    library.close();
  }
}

/** The same from text, as a command line gives it. @throws {InputError} one sentence with an example */
export const searchFor = (context: WorkflowContext, input: SearchInput): SearchResult =>
  search(context, parseSearch(input));

/** Runs most like a given one, and what differed. @throws {InputError} UNKNOWN_ID */
export function searchAlike(
  context: WorkflowContext,
  wanted: string,
  limit?: number,
): { readonly like: SequenceJson; readonly runs: readonly AlikeRun[] } {
  const library = openLibrary(context.libraryDir, { mode: 'read', oneMoment: true });
  try {
    const { sequences } = findSequences(library, wanted);
    // Of a whole night its longest run of lights is meant.
    const run = [...sequences]
      .filter(({ role }) => role === 'light')
      .sort((a, b) => b.frameCount - a.frameCount)[0];
    const like = run ?? sequences[0];
    return {
      runs: alikeRuns(library, like?.id ?? wanted, limit),
      like: toSequence(like!),
    };
  } finally {
    library.close();
  }
}

/** What one's own nights say. */
export interface Stats extends Readonly<Record<StatsBy, readonly StatsRow[]>> {
  readonly bestNights: readonly BestNight[];
  readonly lenses: readonly LensStats[];
  readonly bodies: readonly BodyStats[];
}

/**
 * What one's own nights say, by site, lens, camera, month and ISO, and of bodies and lenses.
 *
 * @param input conditions as of a search: only the runs that fit are counted
 * @throws {InputError} one sentence with an example
 */
export function stats(context: WorkflowContext, input?: SearchInput): Stats {
  const within = input === undefined ? undefined : parseSearch(input);
  const library = openLibrary(context.libraryDir, { mode: 'read', oneMoment: true });
  try {
    return {
      site: statsBy(library, 'site', within),
      lens: statsBy(library, 'lens', within),
      camera: statsBy(library, 'camera', within),
      month: statsBy(library, 'month', within),
      iso: statsBy(library, 'iso', within),
      bestNights: bestNights(library),
      lenses: lensStats(library),
      bodies: bodyStats(library),
    };
  } finally {
    library.close();
  }
}
