import { InputError } from '../core/index.js';
import {
  findFrame,
  findSequences,
  framesOf,
  type Library,
  notesOf,
  openLibrary,
  plan,
  type SequenceRecord,
  type SessionRecord,
  stacksOf,
  tagsOf,
  toFrame,
  toFrames,
  toPlanJson,
  toSequence,
  toSession,
  toStack,
} from '../library/index.js';
import { type PlanFacts, planFacts } from '../sky/index.js';
import { type MasterOffer, masterOffers } from './_master-offers.js';
import type { WorkflowContext } from './context.js';
import { planOf } from './plan.js';

type SequenceView = ReturnType<typeof toSequence> & {
  readonly frames: ReturnType<typeof toFrames>;
  /** Of lights: the darks, flats and biases that fit, and those of the night that do not. */
  readonly masters?: readonly MasterOffer[];
};

/** A session as `show` prints it: the JSON contract with plan, sequences and frames. */
export interface SessionView {
  readonly session: ReturnType<typeof toSession>;
  readonly plan?: ReturnType<typeof toPlanJson> & { readonly facts?: PlanFacts };
  readonly sequences: readonly SequenceView[];
  readonly stacks: readonly ReturnType<typeof toStack>[];
  readonly notes: string;
  readonly tags: readonly string[];
  readonly remarks: readonly string[];
}

/** What `show ID` found: a session (or one sequence of it), or a frame. */
export type ShowResult =
  | { readonly kind: 'session'; readonly view: SessionView }
  | {
      readonly kind: 'frame';
      readonly frame: ReturnType<typeof toFrame>;
      readonly session: ReturnType<typeof toSession>;
    };

function sessionView(
  library: Library,
  session: SessionRecord,
  sequences: readonly SequenceRecord[],
): SessionView {
  const record = session.planId === undefined ? undefined : plan(library, session.planId);
  const full = record && planOf(library, record);
  return {
    session: toSession(session),
    ...(record === undefined
      ? {}
      : { plan: { ...toPlanJson(library, record), ...(full ? { facts: planFacts(full) } : {}) } }),
    sequences: sequences.map((sequence) => ({
      ...toSequence(sequence),
      ...(sequence.role === 'light' ? { masters: masterOffers(library, sequence, session.night) } : {}),
      frames: toFrames(library, sequence, framesOf(library, sequence.id)),
    })),
    stacks: sequences.flatMap((sequence) =>
      stacksOf(library, sequence.id).map((stack) => toStack(library, stack)),
    ),
    notes: notesOf(library, 'session', session.id),
    tags: tagsOf(library, 'session', session.id),
    remarks: session.remarks,
  };
}

/**
 * Shows a session (`latest`, id, date), one of its sequences (`SESSION/2`), or a frame by id or file name.
 * @throws {InputError} UNKNOWN_ID, with what there is instead
 */
export function show(context: WorkflowContext, id: string): ShowResult {
  const library = openLibrary(context.libraryDir, { mode: 'read', oneMoment: true });
  try {
    try {
      const { session, sequences } = findSequences(library, id);
      return { kind: 'session', view: sessionView(library, session, sequences) };
    } catch (error) {
      if (!(error instanceof InputError) || error.code !== 'UNKNOWN_ID') throw error;
      let frame: ReturnType<typeof findFrame>;
      try {
        frame = findFrame(library, id);
      } catch {
        throw error;
      }
      const { session } = findSequences(library, frame.sessionId);
      return { kind: 'frame', frame: toFrame(library, frame), session: toSession(session) };
    }
  } finally {
    library.close();
  }
}
