import type { FrameFormat, FrameHeader, PlainError, Role } from '../core/index.js';
import {
  contentOf,
  type FileFailure,
  type FrameContent,
  type FrameRecord,
  framePath,
  type Library,
  type LooseFile,
  loadGlimpse,
  type MoonFacts,
  newFrameId,
  type SequenceContent,
  type SessionContent,
  type SessionRecord,
  saveGlimpse,
  saveMeasurements,
  saveNight,
} from '../library/index.js';
import type { FrameForGrouping, FrameGlimpse, Grouping } from '../nights/index.js';
import { moonIllumination, moonPosition } from '../sky/index.js';
import type { IntakeTools } from './_intake-tools.js';
import type { LatLon } from './_site-choice.js';
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

/** The clock offset that a session applies to a frame, s. */
const offsetFor = (session: SessionContent, header: FrameHeader): number =>
  session.clockOffsets?.[bodyOf(header)] ?? session.clockOffset ?? 0;

/** Start of exposure, ms, by the session's zone and clock offsets. */
export const startOf = (
  tools: IntakeTools,
  session: SessionContent,
  header: FrameHeader,
): number | undefined =>
  tools.instant(header, { zone: session.zone, clockOffset: offsetFor(session, header) });

/** Frames as the grouping wants them. */
export const forGrouping = (
  members: readonly Member[],
  start: (member: Member) => number | undefined,
): FrameForGrouping[] =>
  members
    .filter(({ hasHeader }) => hasHeader)
    .map((member) => {
      const startMs = start(member);
      return {
        id: member.id,
        path: member.cardPath,
        header: member.header,
        ...(startMs === undefined ? {} : { startMs }),
        ...(member.glimpse ? { glimpse: member.glimpse } : {}),
        ...(member.chosenRole ? { chosenRole: member.chosenRole } : {}),
      };
    });

/** The moon while a sequence ran: seen at its start, middle and end. */
function moonDuring(site: LatLon | undefined, starts: readonly number[]): MoonFacts | undefined {
  if (site === undefined || starts.length === 0) return undefined;
  const [first, last] = [Math.min(...starts), Math.max(...starts)];
  const altitudes = [first, (first + last) / 2, last].map((ms) => moonPosition(new Date(ms), site).altitude);
  const illumination = moonIllumination(new Date((first + last) / 2)).illumination;
  const highest = Math.max(...altitudes);
  return {
    moonlight: highest > 0 ? 100 * illumination : 0,
    moonAltitude: highest,
    moonIllumination: illumination,
  };
}

/** What `storeSession` stores. */
export interface SessionToStore {
  readonly session: SessionContent;
  readonly site: LatLon | undefined;
  /** All frames of the session, those it held before and new ones. */
  readonly members: readonly Member[];
}

/** Groups the frames of a session and stores everything; ids and a person's choices stay. */
export async function storeSession(
  library: Library,
  tools: IntakeTools,
  content: SessionToStore,
): Promise<void> {
  const { session } = content;
  const start = ({ header }: Member) => startOf(tools, session, header);
  const group = (all: readonly Member[]) => tools.group(forGrouping(all, start), { zone: session.zone });
  let { members } = content;
  let grouping = group(members);
  const merged = mergeTwins(members, grouping);
  if (merged.length < members.length) {
    members = merged;
    grouping = group(members);
  }
  const starts = new Map<string, number>();
  for (const member of members) {
    const startMs = start(member);
    if (startMs !== undefined) starts.set(member.id, startMs);
  }
  const roles = new Map(grouping.roles.map((role) => [role.id, role]));
  for (const member of members) {
    if (member.glimpse && (member.fresh || member.moved)) {
      saveGlimpse(library, { folder: session.folder, frameId: member.id }, member.glimpse);
    }
  }
  await saveNight(library, {
    session,
    sequences: sequencesFrom(grouping, content.site, starts),
    frames: members.map((member): FrameContent => {
      const found = roles.get(member.id);
      const takenMs = starts.get(member.id);
      return {
        id: member.id,
        sessionId: session.id,
        role: found?.role ?? member.chosenRole ?? 'other',
        sound: member.sound,
        header: member.header,
        fileIds: member.fileIds,
        ...(member.chosenRole ? { chosenRole: member.chosenRole } : {}),
        ...(found ? { roleReason: found.reason } : {}),
        ...(takenMs === undefined ? {} : { takenMs }),
      };
    }),
  });
  markUnreadable(library, members, roles);
}

/** Groups and stores a session again with the frames it holds. */
export async function storeAgain(
  context: WorkflowContext,
  library: Library,
  from: { readonly tools: IntakeTools; readonly session: SessionRecord },
): Promise<void> {
  const { site, frameCount: _, lightCount: __, ...facts } = from.session;
  await storeSession(library, from.tools, {
    session: { ...facts, ...(site ? { siteId: site.id } : {}) },
    site:
      site?.latitude === undefined || site.longitude === undefined
        ? undefined
        : { latitude: site.latitude, longitude: site.longitude },
    members: await membersOf(context, library, from),
  });
}

/** Files of one exposure that only the grouping recognised (other folder, other card) become one frame. */
function mergeTwins(members: readonly Member[], grouping: Grouping): Member[] {
  const out = new Map(members.map((member) => [member.id, member]));
  for (const { id, twinOf } of grouping.roles) {
    const twin = out.get(id);
    const main = twinOf === undefined ? undefined : out.get(twinOf);
    if (!twin || !main || (!twin.fresh && !main.fresh)) continue;
    // The frame that the library knew already keeps its id and what a person chose for it.
    const known = twin.fresh ? main : twin;
    out.delete(twin.id);
    out.delete(main.id);
    out.set(known.id, {
      ...main,
      id: known.id,
      fileIds: [...main.fileIds, ...twin.fileIds],
      fresh: true,
      ...(known.chosenRole ? { chosenRole: known.chosenRole } : {}),
    });
  }
  return [...out.values()];
}

const sequencesFrom = (
  grouping: Grouping,
  site: LatLon | undefined,
  starts: ReadonlyMap<string, number>,
): SequenceContent[] =>
  grouping.sessions
    .flatMap(({ sequences }) => sequences)
    .map((sequence) => ({
      ...sequence,
      moon: moonDuring(
        site,
        sequence.frameIds.flatMap((id) => starts.get(id) ?? []),
      ),
    }));

/** Lights without readable pixels are dropped, with the reason (P50). */
function markUnreadable(
  library: Library,
  members: readonly Member[],
  roles: ReadonlyMap<string, { readonly role: Role }>,
): void {
  saveMeasurements(
    library,
    members
      .filter(({ sound, fresh }) => !sound && fresh)
      .map((member) => ({
        frameId: member.id,
        verdict: roles.get(member.id)?.role === 'light' ? ('drop' as const) : ('none' as const),
        reasons: [
          { code: 'unreadable' as const, text: member.failure?.message ?? 'Its pixels cannot be read.' },
        ],
      })),
  );
}
