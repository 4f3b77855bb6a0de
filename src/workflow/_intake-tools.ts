import { FormatError, type FrameHeader, throwIfCancelled, toPlainError } from '../core/index.js';
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

/** How long one file may take before it is given up, ms; grows with its size. No decoder needs a tenth of it. */
const timeLimit = (size: number): number => 60_000 + Math.ceil(size / 1000);

async function lookInThreads(
  context: WorkflowContext,
  files: readonly LookInput[],
): Promise<readonly Look[]> {
  if (files.length === 0) return [];
  const pool = createWorkerPool(compiledUrl(import.meta.url, './glimpse-worker.js'), context.workers);
  const looks: Look[] = new Array(files.length);
  let next = 0;
  let done = 0;
  const tell = () =>
    context.progress({ task: 'looking at frames', done, total: files.length, unit: 'frames' });
  const lookAt = async (file: LookInput): Promise<Look> => {
    const limit = AbortSignal.timeout(timeLimit(file.size));
    try {
      return await pool.run<Look>('look', file, {
        signal: context.signal ? AbortSignal.any([context.signal, limit]) : limit,
      });
    } catch (error) {
      throwIfCancelled(context.signal);
      // A file on which a decoder never ends, or that brought its thread down: the file is the finding.
      if (!limit.aborted) return { failure: toPlainError(error) };
      const seconds = Math.round(timeLimit(file.size) / 1000);
      return {
        failure: toPlainError(
          new FormatError(
            'DECODER_LIMIT',
            `Expected ${file.name} to be read within ${seconds} s but it was not; it was copied as it is.`,
            {
              path: file.path,
            },
          ),
        ),
      };
    }
  };
  // As many lanes as threads, so that a file's time begins when a thread takes it.
  const lane = async (): Promise<void> => {
    while (next < files.length) {
      const i = next++;
      looks[i] = await lookAt(files[i]!);
      done++;
      tell();
    }
  };
  try {
    tell();
    await Promise.all(Array.from({ length: Math.min(pool.size, files.length) }, lane));
    return looks;
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
