import { Cancelled, type FrameHeader, throwIfCancelled, toPlainError } from '../core/index.js';
import { instantOf, isFrameName, pairFiles } from '../frames/index.js';
import { compiledUrl, createWorkerPool } from '../kernels/index.js';
import type { FileSystem } from '../library/index.js';
import { type FrameForGrouping, type Grouping, groupFrames } from '../nights/index.js';
import { nightOf } from '../sky/index.js';
import type { WorkflowContext } from './context.js';
import type { Look, LookInput } from './glimpse-worker.js';

/** A file as pairing sees it. */
export interface FileToPair {
  /** Path on the card, `/` between parts. */
  readonly path: string;
  readonly header: FrameHeader;
}

/** What intake needs of the pure folders and the worker threads; tests hand in their own. */
export interface IntakeTools {
  /** The file system of card and library; the computer's own when absent. */
  readonly fileSystem?: FileSystem;
  isFrameName(name: string): boolean;
  /** Looks at files, several at a time; the answers come in the order of the files. */
  look(context: WorkflowContext, files: readonly LookInput[]): Promise<readonly Look[]>;
  /** Groups files of one shot: indices into `files`, the one to work with first. */
  pair(files: readonly FileToPair[]): readonly (readonly number[])[];
  group(frames: readonly FrameForGrouping[], options: { readonly zone: string }): Grouping;
  /** UTC start of exposure, ms since 1970; undefined when the file carries no usable time. */
  instant(
    header: FrameHeader,
    options: { readonly zone: string; readonly clockOffset: number },
  ): number | undefined;
}

async function lookInThreads(
  context: WorkflowContext,
  files: readonly LookInput[],
): Promise<readonly Look[]> {
  if (files.length === 0) return [];
  const pool = createWorkerPool(compiledUrl(import.meta.url, './glimpse-worker.js'), context.workers);
  try {
    let done = 0;
    const tell = () =>
      context.progress({ task: 'looking at frames', done, total: files.length, unit: 'frames' });
    tell();
    return await Promise.all(
      files.map(async (file): Promise<Look> => {
        try {
          return await pool.run<Look>('look', file, { signal: context.signal });
        } catch (error) {
          if (error instanceof Cancelled) throw error;
          throwIfCancelled(context.signal);
          return { failure: toPlainError(error) }; // a thread that a file brought down: the file is the finding
        } finally {
          done++;
          tell();
        }
      }),
    );
  } finally {
    await pool.close();
  }
}

/** The real thing. */
export const intakeTools: IntakeTools = {
  isFrameName,
  look: lookInThreads,
  pair: pairFiles,
  group: (frames, { zone }) =>
    groupFrames(frames, { nightOf: (startMs) => nightOf(new Date(startMs), zone) }),
  instant: instantOf,
};
