import type { FrameHeader, Role } from '../core/index.js';
import {
  type FrameContent,
  type Library,
  type MoonFacts,
  type SequenceContent,
  type SessionContent,
  type SessionRecord,
  saveGlimpse,
  saveMeasurements,
  saveNight,
} from '../library/index.js';
import type { FrameForGrouping, Grouping } from '../nights/index.js';
import { moonIllumination, moonPosition } from '../sky/index.js';
import type { IntakeTools } from './_intake-tools.js';
import { bodyOf, type Member, membersOf } from './_members.js';
import type { LatLon } from './_site-choice.js';
import type { WorkflowContext } from './context.js';

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
