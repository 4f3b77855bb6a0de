import { finishMoves, holdLibrary, type Library, openLibrary } from '../library/index.js';
import type { WorkflowContext } from './context.js';

/**
 * Opens this program's library to write, holds it against other programs, ends what an earlier stop left half done,
 * and lets go and closes it whatever `work` does.
 *
 * @param task what another program that waits is told
 * @throws {StorageError | Cancelled} and what `work` throws
 */
export async function withHeldLibrary<T>(
  context: WorkflowContext,
  task: string,
  work: (library: Library) => Promise<T>,
): Promise<T> {
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  try {
    const release = await holdLibrary(library, { task, signal: context.signal });
    try {
      await finishMoves(library);
      return await work(library);
    } finally {
      release();
    }
  } finally {
    library.close();
  }
}
