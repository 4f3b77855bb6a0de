import {
  openLibrary,
  parseSearch,
  type SearchInput,
  type SearchQuery,
  type SearchResult,
  searchLibrary,
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
