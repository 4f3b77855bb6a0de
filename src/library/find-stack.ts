import { resolve, sep } from 'node:path';
import { InputError } from '../core/index.js';
import { rows } from './_rows.js';
import { stackId } from './contract.js';
import type { Library } from './library.js';
import { insideLibrary } from './paths.js';
import type { StackRecord } from './records.js';
import { stacksOf, toStackRecord } from './results.js';
import { findSequences } from './sessions.js';

/**
 * Stacks by id (`SESSION/2/1a2b3c4d`), by their folder or a file in it, or the newest of a sequence or of each
 * sequence of a session (`latest`, an id, a date).
 *
 * @throws {InputError} UNKNOWN_ID, with what there is instead; NOTHING_TO_DO when nothing was stacked there yet
 */
export function findStacks(library: Library, wanted: string): StackRecord[] {
  const all = rows(library, 'SELECT * FROM stacks ORDER BY id').map(toStackRecord);
  const path = resolve(wanted);
  const exact = all.find((stack) => {
    const folder = insideLibrary(library.dir, stack.folder);
    return stackId(stack) === wanted || path === folder || path.startsWith(folder + sep);
  });
  if (exact) return [exact];
  let found: ReturnType<typeof findSequences>;
  try {
    found = findSequences(library, wanted);
  } catch (error) {
    if (!(error instanceof InputError) || error.code !== 'UNKNOWN_ID') throw error;
    const known = all.map(stackId).slice(-5).join(', ');
    throw new InputError(
      'UNKNOWN_ID',
      `Expected a stack, its folder, a sequence or a session but received ${JSON.stringify(wanted)}; the last stacks are ${known || 'none yet'}.`,
      { details: { id: wanted } },
    );
  }
  const newest = found.sequences.flatMap(({ id }) => stacksOf(library, id).slice(-1));
  if (newest.length === 0) {
    throw new InputError(
      'NOTHING_TO_DO',
      `Expected a stack of ${wanted} but nothing of it was stacked yet; run "stack ${wanted}" first.`,
    );
  }
  return newest;
}
