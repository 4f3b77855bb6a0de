import { type CheckReport, checkLibrary, holdLibrary, openLibrary } from '../library/index.js';
import type { WorkflowContext } from './context.js';

/** Options of `check`. */
export interface CheckOptions {
  /** Link files that were moved or renamed inside the library again, by content. */
  readonly repair?: boolean | undefined;
}

/** Re-hashes the library against its catalogue and checks the database. @throws {StorageError | Cancelled} */
export async function check(context: WorkflowContext, options: CheckOptions = {}): Promise<CheckReport> {
  const repair = options.repair === true;
  const library = openLibrary(context.libraryDir, { mode: repair ? 'write' : 'read' });
  try {
    const release = repair
      ? await holdLibrary(library, { task: 'repairing the library', signal: context.signal })
      : () => {};
    try {
      return await checkLibrary(library, { repair, progress: context.progress, signal: context.signal });
    } finally {
      release();
    }
  } finally {
    library.close();
  }
}
