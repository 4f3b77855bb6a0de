import { InputError, throwIfCancelled } from '../core/index.js';
import { compiledUrl, createWorkerPool } from '../kernels/index.js';
import { findSequences, openLibrary, type SessionRecord } from '../library/index.js';
import type { RunWork } from './_stack-config.js';
import type { WorkflowContext } from './context.js';

/** One run of lights with all that a stage needs to work on it. */
export type RunPlace = Pick<RunWork, 'context' | 'library' | 'pool' | 'session' | 'sequence'>;

/**
 * Does `work` on each run of lights of a session, or on the one sequence named, one after the other, with the
 * library open and threads for the pixels.
 *
 * @param target session (`latest`, id, date) or sequence (`SESSION/2`)
 * @throws {InputError} UNKNOWN_ID; NOTHING_TO_DO when the session holds no lights
 */
export async function overRuns<T>(
  context: WorkflowContext,
  target: string,
  mode: 'read' | 'write',
  work: (place: RunPlace) => Promise<T>,
): Promise<{ readonly session: SessionRecord; readonly results: T[] }> {
  const library = openLibrary(context.libraryDir, { mode });
  const pool = createWorkerPool(compiledUrl(import.meta.url, './stack-worker.js'), context.workers);
  try {
    const { session, sequences, one } = findSequences(library, target);
    const lights = sequences.filter((sequence) => sequence.role === 'light' || one);
    if (lights.length === 0) {
      throw new InputError('NOTHING_TO_DO', `Expected lights in session ${session.id} but it holds none.`);
    }
    const results: T[] = [];
    for (const sequence of lights) {
      throwIfCancelled(context.signal);
      results.push(await work({ context, library, pool, session, sequence }));
    }
    return { session, results };
  } finally {
    await pool.close();
    library.close();
  }
}
