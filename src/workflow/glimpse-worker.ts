import { type FrameHeader, type PlainError, toPlainError } from '../core/index.js';
import { readHeader, readPixels } from '../frames/index.js';
import { serveTasks } from '../kernels/index.js';
import { type FrameGlimpse, glimpse } from '../nights/index.js';
import { ensureRawDecoder, readBytes } from './_pixels.js';

/** What a look at a file gave; without `glimpse` its pixels cannot be used, and `failure` says why. */
export interface Look {
  readonly header?: FrameHeader;
  readonly glimpse?: FrameGlimpse;
  readonly failure?: PlainError;
}

/** A file to look at. */
export interface LookInput {
  /** Absolute path of the copy in the library. */
  readonly path: string;
  /** Name on the card, for readers that heed it. */
  readonly name: string;
  /** Bytes. */
  readonly size: number;
}

/** Reads header and pixels of a file and takes a quick look. Never throws for a bad file. */
export async function look(input: LookInput): Promise<Look> {
  ensureRawDecoder();
  let header: FrameHeader | undefined;
  try {
    const bytes = await readBytes(input.path);
    const read = await readHeader(bytes, input.name);
    header = read;
    return { header: read, glimpse: glimpse(await readPixels(bytes, input.name)) };
  } catch (error) {
    const failure = toPlainError(error);
    return header ? { header, failure } : { failure };
  }
}

serveTasks({ look });
