import { toPlainError } from '../core/index.js';
import { PICTURE_DECODER, RAW_DECODER, readPixels, writeDng } from '../frames/index.js';
import { type CheckReport, checkLibrary, holdLibrary, LAYOUT, openLibrary } from '../library/index.js';
import { checkMasters, type MastersCheck } from './_check-masters.js';
import { ensureRawDecoder } from './_pixels.js';
import type { WorkflowContext } from './context.js';
import { trashed } from './library-places.js';

/** Options of `check`. */
export interface CheckOptions {
  /** Link files that were moved or renamed inside the library again, by content. */
  readonly repair?: boolean | undefined;
}

/** What a check found, of the library and of the program itself. */
export interface CheckResult extends CheckReport {
  readonly masters: MastersCheck;
  /** Nights in the trash folder, each held against the catalogue it took along. */
  readonly trash: readonly ({ readonly id: string } & CheckReport)[];
  /** What is wrong with the decoders; empty when their self-test passed. */
  readonly decoder: readonly string[];
  /** Name and version of the decoders of this program (L15, L30). */
  readonly decoders: readonly string[];
}

/**
 * Re-hashes the library against its catalogue, checks the database, and tests the decoders on a picture
 * made here.
 *
 * @throws {StorageError | Cancelled}
 */
export async function check(context: WorkflowContext, options: CheckOptions = {}): Promise<CheckResult> {
  const repair = options.repair === true;
  const library = openLibrary(context.libraryDir, { mode: repair ? 'write' : 'read' });
  try {
    const release = repair
      ? await holdLibrary(library, { task: 'repairing the library', signal: context.signal })
      : () => {};
    try {
      const report = await checkLibrary(library, {
        repair,
        progress: context.progress,
        signal: context.signal,
      });
      const masters = await checkMasters(library, context);
      const trash = await checkTrash(context);
      const decoder = await testDecoders();
      return {
        ...report,
        masters,
        trash,
        decoder,
        decoders: [RAW_DECODER, PICTURE_DECODER],
        sound:
          report.sound &&
          masters.damaged.length === 0 &&
          trash.every(({ sound }) => sound) &&
          decoder.length === 0,
      };
    } finally {
      release();
    }
  } finally {
    library.close();
  }
}

async function checkTrash(context: WorkflowContext): Promise<({ readonly id: string } & CheckReport)[]> {
  const reports: ({ readonly id: string } & CheckReport)[] = [];
  for (const { id, folder } of trashed(context)) {
    const small = openLibrary(folder, { mode: 'read' });
    try {
      const { progress, signal } = context;
      const report = await checkLibrary(small, { repair: false, progress, signal });
      const below = <T extends { readonly path: string; readonly message: string }>(found: readonly T[]) =>
        found.map(({ path, message }) => {
          const whole = `${LAYOUT.trash}/${id}/${path}`;
          return { path: whole, message: message.replace(path, whole) };
        });
      reports.push({
        ...report,
        id,
        missing: below(report.missing),
        changed: below(report.changed),
        unknown: below(report.unknown),
      });
    } finally {
      small.close();
    }
  }
  return reports;
}

/** Writes a small mosaic and reads it back: every value must return, and the RAW decoder must be there. */
export async function testDecoders(): Promise<string[]> {
  const [width, height, blackLevel] = [64, 48, 256];
  const data = Uint16Array.from({ length: width * height }, (_, i) => blackLevel + ((i * 37) % 4000));
  try {
    ensureRawDecoder();
    const bytes = writeDng({
      width,
      height,
      data,
      cfa: { width: 2, height: 2, colors: [0, 1, 1, 2] },
      blackLevel,
      whiteLevel: 16383,
      colorMatrix: [1, 0, 0, 0, 1, 0, 0, 0, 1],
      asShotNeutral: [0.5, 1, 0.7],
      exif: { cameraModel: 'self-test' },
    });
    const pixels = await readPixels(bytes, 'self-test.dng');
    const wrong = data.findIndex((value, i) => pixels.data[i] !== value - blackLevel);
    return pixels.data.length === data.length && wrong < 0
      ? []
      : [`pixel ${wrong} of a picture written here reads back differently`];
  } catch (error) {
    return [toPlainError(error).message];
  }
}
