import {
  openLibrary,
  parseSearch,
  type SearchInput,
  type SearchQuery,
  type SearchResult,
  type StatsBy,
  type StatsRow,
  searchLibrary,
  statsBy,
} from '../library/index.js';
import type { WorkflowContext } from './context.js';

/** Looks for past sessions; an empty or missing library has none, which is no error. */
export function search(context: WorkflowContext, query: SearchQuery): SearchResult {
  const library = openLibrary(context.libraryDir, { mode: 'read' });
  try {
    return searchLibrary(library, query);
  } finally {
    library.close();
  }
}

/** The same from text, as a command line gives it. @throws {InputError} one sentence with an example */
export const searchFor = (context: WorkflowContext, input: SearchInput): SearchResult =>
  search(context, parseSearch(input));

/** What one's own nights say, by site, lens, camera, month and ISO. */
export function stats(context: WorkflowContext): Readonly<Record<StatsBy, readonly StatsRow[]>> {
  const library = openLibrary(context.libraryDir, { mode: 'read' });
  try {
    return {
      site: statsBy(library, 'site'),
      lens: statsBy(library, 'lens'),
      camera: statsBy(library, 'camera'),
      month: statsBy(library, 'month'),
      iso: statsBy(library, 'iso'),
    };
  } finally {
    library.close();
  }
}
