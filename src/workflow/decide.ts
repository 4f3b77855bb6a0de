import { InputError, type Role, type Verdict } from '../core/index.js';
import {
  findFrame,
  findSequences,
  framesOf,
  notesOf,
  openLibrary,
  setNotes,
  setRole,
  setTags,
  setVerdict,
  stacksOf,
  tagsOf,
} from '../library/index.js';
import { type IntakeTools, intakeTools } from './_intake-tools.js';
import { type AmendResult, regroup } from './amend.js';
import type { WorkflowContext } from './context.js';

/** What `decide` changed. */
export interface Decided {
  readonly frameIds: readonly string[];
  /** Sequences whose counts changed; a stack of theirs no longer matches. */
  readonly sequenceIds: readonly string[];
  /** Those of them that have stacks, all made before this. */
  readonly staleStacks: readonly string[];
}

/**
 * Records the photographer's own verdict on frames; undefined takes it back. All or nothing.
 *
 * @param wanted ids, beginnings of ids, or file names (`NAME@SESSION` where several nights hold it)
 * @throws {InputError} UNKNOWN_ID
 */
export function decide(
  context: WorkflowContext,
  wanted: readonly string[],
  verdict: Exclude<Verdict, 'none'> | undefined,
): Decided {
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  try {
    const frames = wanted.map((each) => findFrame(library, each));
    const other = frames.find(({ role }) => role !== 'light');
    if (other) {
      throw new InputError(
        'VALUE_OUT_OF_RANGE',
        `Expected lights but ${other.files[0]?.name ?? other.id} is a ${other.role}; only lights are kept or dropped.`,
      );
    }
    const sequenceIds = new Set<string>();
    for (const frame of frames) {
      setVerdict(library, frame.id, verdict, 'person');
      if (frame.sequenceId) sequenceIds.add(frame.sequenceId);
    }
    const changed = [...sequenceIds].sort();
    return {
      frameIds: frames.map(({ id }) => id),
      sequenceIds: changed,
      staleStacks: changed.filter((id) => stacksOf(library, id).length > 0),
    };
  } finally {
    library.close();
  }
}

/**
 * Replaces notes and tags of a run (`SESSION/3`) or of its newest stack; what is absent stays.
 *
 * @throws {InputError} UNKNOWN_ID; NOTHING_TO_DO for the stack of a run that has none
 */
export function describeRun(
  context: WorkflowContext,
  wanted: string,
  words: {
    readonly notes?: string | undefined;
    readonly tags?: readonly string[] | undefined;
    /** Say it of the run's newest stack. */
    readonly stack?: boolean | undefined;
  },
): {
  readonly kind: 'sequence' | 'stack';
  readonly id: string;
  readonly notes: string;
  readonly tags: readonly string[];
} {
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  try {
    const { sequences } = findSequences(library, wanted);
    const run = sequences[0]!;
    const stack = words.stack === true ? stacksOf(library, run.id).at(-1) : undefined;
    if (words.stack === true && !stack) {
      throw new InputError(
        'NOTHING_TO_DO',
        `Expected a stack of ${run.id} but there is none yet; stack it first.`,
      );
    }
    const owner = stack
      ? ({ kind: 'stack', id: String(stack.id) } as const)
      : ({ kind: 'sequence', id: run.id } as const);
    if (words.notes !== undefined) setNotes(library, owner, words.notes);
    if (words.tags !== undefined) setTags(library, owner, words.tags);
    return {
      ...owner,
      notes: notesOf(library, owner.kind, owner.id),
      tags: tagsOf(library, owner.kind, owner.id),
    };
  } finally {
    library.close();
  }
}

/** Keeps frames whatever was measured. */
export const keep = (context: WorkflowContext, frames: readonly string[]): Decided =>
  decide(context, frames, 'keep');
/** Drops frames whatever was measured. */
export const drop = (context: WorkflowContext, frames: readonly string[]): Decided =>
  decide(context, frames, 'drop');
/** Goes back to what was measured. */
export const undecide = (context: WorkflowContext, frames: readonly string[]): Decided =>
  decide(context, frames, undefined);

/**
 * Records the role a photographer chose for frames (undefined takes it back) and groups their sessions again.
 *
 * @param wanted frames by id or file name, or whole runs as `SESSION/4`
 * @throws {InputError} UNKNOWN_ID
 */
export async function chooseRole(
  context: WorkflowContext,
  wanted: readonly string[],
  role: Role | undefined,
  tools: IntakeTools = intakeTools,
): Promise<readonly AmendResult[]> {
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  const sessionIds = new Set<string>();
  try {
    const frames = wanted.flatMap((each) =>
      /\/\d+$/.test(each)
        ? findSequences(library, each).sequences.flatMap(({ id }) => framesOf(library, id))
        : [findFrame(library, each)],
    );
    for (const frame of frames) {
      setRole(library, frame.id, role);
      sessionIds.add(frame.sessionId);
    }
  } finally {
    library.close();
  }
  const results: AmendResult[] = [];
  for (const id of sessionIds) results.push(await regroup(context, id, tools));
  return results;
}
