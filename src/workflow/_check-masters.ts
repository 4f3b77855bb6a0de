import { existsSync } from 'node:fs';
import { throwIfCancelled, toPlainError } from '../core/index.js';
import { type Finding, insideLibrary, type Library, masters } from '../library/index.js';
import { loadMaster } from './_master-file.js';
import type { WorkflowContext } from './context.js';

/** What was found of the masters. */
export interface MastersCheck {
  readonly checked: number;
  /** Gone: nothing is lost while the frames they were made of are there. */
  readonly missing: readonly Finding[];
  /** There, but not readable as what the catalogue says they are. */
  readonly damaged: readonly Finding[];
}

/** Reads every master of the catalogue. @throws {Cancelled} */
export async function checkMasters(library: Library, context: WorkflowContext): Promise<MastersCheck> {
  const missing: Finding[] = [];
  const damaged: Finding[] = [];
  const all = masters(library);
  for (const [n, { path, width, height, kind }] of all.entries()) {
    throwIfCancelled(context.signal);
    context.progress({ task: 'checking masters', done: n, total: all.length, unit: 'files' });
    const file = insideLibrary(library.dir, path);
    if (!existsSync(file)) {
      missing.push({ path, message: `${path} is gone; it is made again when its frames are stacked with.` });
      continue;
    }
    const wrong = await whatIsWrong(file, { kind, width, height });
    if (wrong !== undefined)
      damaged.push({ path, message: `${path}: ${wrong} Delete it and stack again: it is made anew.` });
  }
  if (all.length > 0)
    context.progress({ task: 'checking masters', done: all.length, total: all.length, unit: 'files' });
  return { checked: all.length, missing, damaged };
}

async function whatIsWrong(
  file: string,
  expected: {
    readonly kind: string;
    readonly width: number | undefined;
    readonly height: number | undefined;
  },
): Promise<string | undefined> {
  try {
    const master = await loadMaster(file);
    const agrees =
      master.kind === expected.kind &&
      master.width === (expected.width ?? master.width) &&
      master.height === (expected.height ?? master.height);
    return agrees ? undefined : 'it is not the master that the catalogue knows under this name.';
  } catch (error) {
    return toPlainError(error).message;
  }
}
