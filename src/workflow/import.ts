import { existsSync, realpathSync } from 'node:fs';
import { basename, dirname, isAbsolute, join, relative, resolve, sep } from 'node:path';
import { InputError, many } from '../core/index.js';
import {
  type CopyReport,
  copyCard,
  type FailedFile,
  findPlan,
  finishMoves,
  holdLibrary,
  type Library,
  nodeFileSystem,
  openLibrary,
  type SecondReport,
  type SequenceRecord,
  type SessionRecord,
  scanCard,
  sequencesOf,
  session,
  sessionsOfFiles,
} from '../library/index.js';
import { checkZone } from '../sky/index.js';
import { type SortOptions, sortArrivals } from './_arrivals.js';
import { type IntakeTools, intakeTools } from './_intake-tools.js';
import type { WorkflowContext } from './context.js';

/** What `importCard` is asked. */
export interface ImportOptions extends SortOptions {
  /** A card, or any folder. */
  readonly card: string;
  /** Folder for a second verified copy. */
  readonly second?: string | undefined;
}

/** What an import did. */
export interface ImportResult {
  /** The `import` of the JSON contract, with what else there is to say. */
  readonly import: {
    readonly found: number;
    readonly copied: number;
    readonly alreadyInLibrary: number;
    readonly failed: readonly FailedFile[];
    readonly attachments: number;
    readonly bytesCopied: number;
    /** Files that were left on the card, paths below the card. */
    readonly leftOnCard: readonly string[];
    readonly second?: SecondReport;
    /** True only when every frame and attachment is in the library (and in the second folder) and verified. */
    readonly cardMayBeReused: boolean;
  };
  /** The sessions that the card's frames belong to, newest first. */
  readonly sessions: readonly SessionRecord[];
  /** The session with most lights. */
  readonly session: SessionRecord | undefined;
  readonly sequences: readonly SequenceRecord[];
  /** Sentences about site, zone and clock. */
  readonly notes: readonly string[];
  /** The closing sentence. */
  readonly summary: string;
}

/**
 * Brings a card into the library: verified copy, headers, quick looks, site, roles, sequences, sessions.
 * Running it again copies nothing; a stopped or killed run goes on where it was.
 *
 * @param tools for tests; the real ones by default
 * @throws {StorageError} CARD_MISSING, DISK_FULL, NOT_WRITABLE, CATALOGUE_BUSY ...
 * @throws {InputError} NO_FRAMES when there is nothing to import; bad site, zone or plan
 * @throws {Cancelled}
 */
export async function importCard(
  context: WorkflowContext,
  options: ImportOptions,
  tools: IntakeTools = intakeTools,
): Promise<ImportResult> {
  if (options.zone !== undefined) checkZone(options.zone);
  const card = resolve(options.card);
  refuseOnCard(card, [
    ['library', context.libraryDir],
    ['second', options.second],
  ]);
  const content = await scanCard(tools.fileSystem ?? nodeFileSystem, card, tools.isFrameName);
  if (content.frames.length === 0) {
    throw new InputError(
      'NO_FRAMES',
      `Expected frames below ${card} but found none${content.others.length > 0 ? ` among ${content.others.length} files` : ''}; give the card or the folder that holds DCIM.`,
    );
  }
  const library = openLibrary(context.libraryDir, {
    mode: 'write',
    ...(tools.fileSystem ? { fileSystem: tools.fileSystem } : {}),
  });
  try {
    if (options.planId !== undefined) findPlan(library, options.planId);
    const release = await holdLibrary(library, {
      task: 'importing a card',
      signal: context.signal,
      onWait: (holder) => context.progress({ task: 'waiting for the library', done: 0, note: holder }),
    });
    try {
      await finishMoves(library);
      const copy = await copyCard(library, {
        card,
        content,
        second: options.second === undefined ? undefined : resolve(options.second),
        progress: context.progress,
        signal: context.signal,
      });
      const sorted = await sortArrivals(context, library, {
        ...options,
        tools,
        cardSessions: sessionsOfFiles(library, copy.fileIds),
        cardFiles: copy.fileIds,
      });
      const leftOnCard = [
        ...content.others.map(({ cardPath }) => cardPath),
        ...content.skipped.map(({ cardPath, reason }) => `${cardPath} (${reason})`),
      ];
      return conclude(library, { copy, leftOnCard, card, sorted });
    } finally {
      release();
    }
  } finally {
    library.close();
  }
}

/** The card is never written to: neither the library nor the second copy may lie on it. @throws {InputError} */
function refuseOnCard(card: string, folders: readonly (readonly [string, string | undefined])[]): void {
  for (const [option, folder] of folders) {
    if (folder === undefined) continue;
    const below = relative(realPath(card), realPath(resolve(folder)));
    if (below === '' || (below !== '..' && !below.startsWith(`..${sep}`) && !isAbsolute(below))) {
      throw new InputError(
        'VALUE_OUT_OF_RANGE',
        `Expected --${option} outside the card ${card}, which is never written to, but received ${folder}; choose a folder on a disk.`,
      );
    }
  }
}

/** A path with its links followed, as far as it exists. */
function realPath(path: string): string {
  if (!existsSync(path)) {
    const parent = dirname(path);
    return parent === path ? path : join(realPath(parent), basename(path));
  }
  return realpathSync(path);
}

/** Codes of files that may well be sound but that no reader of ours understands. */
const NOT_OURS: ReadonlySet<string> = new Set(['UNKNOWN_FORMAT', 'UNSUPPORTED_FORMAT', 'DECODER_LIMIT']);

function conclude(
  library: Library,
  parts: {
    readonly copy: CopyReport;
    readonly card: string;
    readonly leftOnCard: readonly string[];
    readonly sorted: Awaited<ReturnType<typeof sortArrivals>>;
  },
): ImportResult {
  const { copy, sorted, leftOnCard, card } = parts;
  const ofCard = new Set(copy.fileIds);
  const failed = [
    ...copy.failed,
    ...sorted.damaged
      .filter(({ fileId }) => ofCard.has(fileId))
      .map(({ fileId: _, file, ...rest }) => ({ file: resolve(card, ...file.split('/')), ...rest })),
  ];
  const sessions = sorted.sessionIds
    .map((id) => session(library, id))
    .filter((found) => found !== undefined)
    .sort((a, b) => (a.night === b.night ? (a.id < b.id ? -1 : 1) : a.night < b.night ? 1 : -1));
  const uncopied = failed.filter(({ copied }) => !copied).length;
  const unknown = failed.filter(({ copied, code }) => copied && NOT_OURS.has(code)).length;
  const secondSound = copy.second === undefined || copy.second.failed.length === 0;
  const cardMayBeReused = uncopied === 0 && secondSound;
  return {
    import: {
      found: copy.found,
      copied: copy.copied,
      alreadyInLibrary: copy.alreadyInLibrary,
      failed,
      attachments: copy.attachments,
      bytesCopied: copy.bytesCopied,
      leftOnCard,
      ...(copy.second ? { second: copy.second } : {}),
      cardMayBeReused,
    },
    sessions,
    session: [...sessions].sort((a, b) => b.lightCount - a.lightCount)[0],
    sequences: sessions.flatMap(({ id }) => sequencesOf(library, id)),
    notes: [...library.warnings, ...sorted.notes],
    summary: summarise(copy, {
      uncopied,
      damaged: failed.length - uncopied - unknown,
      unknown,
      cardMayBeReused,
    }),
  };
}

function summarise(
  copy: CopyReport,
  facts: {
    readonly uncopied: number;
    readonly damaged: number;
    readonly unknown: number;
    readonly cardMayBeReused: boolean;
  },
): string {
  const files = copy.found + copy.attachments;
  const copies = copy.second ? ' and in the second folder' : '';
  const of = (n: number, said: string, saidOfOne: string) =>
    n === 0 ? '' : ` ${n} of them ${n === 1 ? saidOfOne : said}.`;
  const damage =
    of(
      facts.damaged,
      'are damaged on the card itself and cannot be used',
      'is damaged on the card itself and cannot be used',
    ) +
    of(
      facts.unknown,
      'are of a kind that this version cannot read',
      'is of a kind that this version cannot read',
    );
  if (!facts.cardMayBeReused) {
    const second = copy.second?.failed.length ?? 0;
    const missing = [
      ...(facts.uncopied > 0 ? [`${facts.uncopied} of ${files} files could not be copied`] : []),
      ...(second > 0
        ? [`${many(second, 'file')} ${second === 1 ? 'is' : 'are'} not in the second folder`]
        : []),
    ].join(', and ');
    return `${missing}: keep the card as it is.${damage}`;
  }
  const again = copy.copied === 0 && copy.alreadyInLibrary === copy.found ? ' already' : '';
  const all = files === 1 ? 'The one file is' : `All ${files} files are`;
  return `${all}${again} in the library${copies} and verified; the card may be re-used.${damage}`;
}
