import type { FrameFormat, FrameHeader, PlainError, Role } from '../core/index.js';
import {
  contentOf,
  type FileFailure,
  type FrameRecord,
  framePath,
  type Library,
  type LooseFile,
  loadGlimpse,
  newFrameId,
  type SessionRecord,
} from '../library/index.js';
import type { FrameGlimpse } from '../nights/index.js';
import type { IntakeTools } from './_intake-tools.js';
import type { WorkflowContext } from './context.js';

/** A frame on its way into a session. */
export interface Member {
  readonly id: string;
  readonly header: FrameHeader;
  /** The file to work with first. */
  readonly fileIds: readonly number[];
  readonly cardPath: string;
  readonly modifiedMs: number;
  /** False when no pixels can be read of any of its files. */
  readonly sound: boolean;
  /** False when not even a header could be read: such a frame joins no sequence. */
  readonly hasHeader: boolean;
  readonly glimpse?: FrameGlimpse;
  readonly chosenRole?: Role;
  readonly failure?: FileFailure;
  /** True when the library did not hold this frame before. */
  readonly fresh: boolean;
  /** True when its quick look has to be kept anew: it comes from another session, or the kept one was lost. */
  readonly moved?: boolean;
}

const FORMATS: readonly (readonly [RegExp, FrameFormat])[] = [
  [/\.dng$/i, 'dng'],
  [/\.jpe?g$/i, 'jpeg'],
  [/\.tiff?$/i, 'tiff'],
  [/\.png$/i, 'png'],
  [/\.fits?$/i, 'fits'],
];

/** What can be said of a file whose header cannot be read. */
export function blankHeader(name: string, failure: PlainError | FileFailure | undefined): FrameHeader {
  return {
    format: FORMATS.find(([pattern]) => pattern.test(name))?.[1] ?? 'raw',
    formatName: 'unreadable',
    warnings: failure ? [failure.message] : [],
  };
}

/** A frame of one or several files that just arrived; ids come from the content of the first. */
export function newMember(
  library: Library,
  files: readonly {
    readonly file: LooseFile;
    readonly header?: FrameHeader;
    readonly glimpse?: FrameGlimpse;
    readonly failure?: FileFailure;
  }[],
  taken: Set<string>,
): Member {
  // A damaged RAW beside a sound JPEG: the JPEG is what there is to work with (P52).
  const ordered = [...files].sort(
    (a, b) => Number(b.glimpse !== undefined) - Number(a.glimpse !== undefined),
  );
  const first = ordered[0]!;
  const id = newFrameId(library, first.file.sha256, taken);
  taken.add(id);
  return {
    id,
    header: first.header ?? blankHeader(first.file.name, first.failure),
    fileIds: ordered.map(({ file }) => file.id),
    cardPath: first.file.cardPath,
    modifiedMs: first.file.modifiedMs,
    sound: first.glimpse !== undefined,
    hasHeader: first.header !== undefined,
    fresh: true,
    ...(first.glimpse ? { glimpse: first.glimpse } : {}),
    ...(first.failure ? { failure: first.failure } : {}),
  };
}

/** The frames that a session already holds; a quick look that got lost is taken again. */
export async function membersOf(
  context: WorkflowContext,
  library: Library,
  from: { readonly tools: IntakeTools; readonly session: SessionRecord },
): Promise<Member[]> {
  const held = contentOf(library, from.session.id);
  const glimpses = new Map<string, FrameGlimpse>();
  const lost: FrameRecord[] = [];
  for (const { record } of held) {
    if (!record.sound) continue;
    const kept = loadGlimpse(library, { folder: from.session.folder, frameId: record.id });
    if (kept) glimpses.set(record.id, kept);
    else lost.push(record);
  }
  const looks = await from.tools.look(
    context,
    lost.map((record) => ({
      path: framePath(library, record),
      name: record.files[0]!.name,
      size: record.files[0]!.size,
    })),
  );
  lost.forEach(({ id }, i) => {
    const { glimpse } = looks[i]!;
    if (glimpse) glimpses.set(id, glimpse);
  });
  const relooked = new Set(lost.map(({ id }) => id));
  return held.map(({ record, fileIds }) => {
    const glimpse = glimpses.get(record.id);
    const failure = record.files[0]?.failure;
    return {
      id: record.id,
      header: record.header,
      fileIds,
      cardPath: record.files[0]?.cardPath ?? '',
      modifiedMs: record.files[0]?.modifiedMs ?? 0,
      sound: record.sound,
      hasHeader: record.header.formatName !== 'unreadable',
      fresh: false,
      moved: relooked.has(record.id),
      ...(glimpse ? { glimpse } : {}),
      ...(record.chosenRole ? { chosenRole: record.chosenRole } : {}),
      ...(failure ? { failure } : {}),
    };
  });
}

/** Key of the body whose clock took a frame. */
export const bodyOf = (header: FrameHeader): string => header.serial ?? header.camera ?? '';
