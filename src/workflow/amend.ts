import { InputError } from '../core/index.js';
import {
  findPlan,
  findSession,
  type Library,
  newSessionName,
  notesOf,
  removeEmptySession,
  type SequenceRecord,
  type SessionContent,
  type SessionRecord,
  type SiteRecord,
  sequencesOf,
  session,
  sessionsOfNight,
  setNotes,
  setTags,
  siteById,
  tagsOf,
} from '../library/index.js';
import { checkZone, nightOf } from '../sky/index.js';
import { joinMembers } from './_arrivals.js';
import { clockRemarks, offsetForFirstFrame } from './_clock.js';
import { withHeldLibrary } from './_held-library.js';
import { type IntakeTools, intakeTools } from './_intake-tools.js';
import { bodyOf, type Member, membersOf } from './_members.js';
import { onlyPlan, type PlaceOptions, renameFoundSite, siteSaid } from './_site-choice.js';
import { startOf, storeSession } from './_sort-nights.js';
import type { WorkflowContext } from './context.js';

/** What may be corrected; what is absent stays. */
export interface AmendOptions extends PlaceOptions {
  /** s to add to the camera's clock. */
  readonly clockOffset?: number | undefined;
  /** When the first frame was really taken, `YYYY-MM-DDTHH:MM[:SS]` on the clocks of the site; instead of `clockOffset`. */
  readonly firstFrameAt?: string | undefined;
  /** Serial number or name of the one body whose clock is meant; all bodies when absent. */
  readonly body?: string | undefined;
  /** Replaces the notes; an empty text takes them away. */
  readonly notes?: string | undefined;
  /** Replaces the tags. */
  readonly tags?: readonly string[] | undefined;
}

/** A session after a correction. */
export interface AmendResult {
  readonly session: SessionRecord;
  readonly sequences: readonly SequenceRecord[];
  readonly notes: string;
  readonly tags: readonly string[];
  /** Ids of other sessions that received frames (another night by the corrected clock) or were joined. */
  readonly alsoChanged: readonly string[];
  /** True when instants or the site changed, so that what rests on the sky should be worked out again. */
  readonly skyChanged: boolean;
}

/**
 * Corrects site, zone, clock, plan, notes or tags of a session and works out again what rests on them:
 * instants, night, roles, sequences, moon. Originals are never touched; ids stay. Frames that belong to
 * another night by the corrected clock move there; a session of the same night and site is joined.
 *
 * @throws {InputError} UNKNOWN_ID and what the options' values deserve
 */
export function amend(
  context: WorkflowContext,
  wanted: string,
  options: AmendOptions,
  tools: IntakeTools = intakeTools,
): Promise<AmendResult> {
  return withHeldLibrary(context, 'amending a session', async (library) => {
    const before = findSession(library, wanted);
    const members = await membersOf(context, library, { tools, session: before });
    const content = amendedContent(library, before, { ...options, tools, members });
    const site = content.siteId === undefined ? undefined : siteById(library, content.siteId);
    // Of a site whose place was not known when the night was stored, nothing that rests on the sky was worked out.
    const wasBlind = sequencesOf(library, before.id).some(
      ({ startMs, moonlight }) => startMs !== undefined && moonlight === undefined,
    );
    const skyChanged =
      content.siteId !== before.site?.id ||
      (wasBlind && site?.latitude !== undefined && site.longitude !== undefined) ||
      site?.latitude !== before.site?.latitude ||
      site?.longitude !== before.site?.longitude ||
      content.zone !== before.zone ||
      content.clockOffset !== before.clockOffset ||
      JSON.stringify(content.clockOffsets) !== JSON.stringify(before.clockOffsets);
    const changed = await storeByNight(library, tools, {
      ...{ context, before, content, members },
      planSaid: options.planId !== undefined,
    });
    const id = session(library, before.id) ? before.id : changed[0]!;
    const owner = { kind: 'session' as const, id };
    if (options.notes !== undefined) setNotes(library, owner, options.notes);
    if (options.tags !== undefined) setTags(library, owner, options.tags);
    return {
      session: session(library, id)!,
      sequences: sequencesOf(library, id),
      notes: notesOf(library, 'session', id),
      tags: tagsOf(library, 'session', id),
      alsoChanged: changed.filter((other) => other !== id),
      skyChanged,
    };
  });
}

/** Groups a session again, after a role was chosen by hand. */
export const regroup = (
  context: WorkflowContext,
  wanted: string,
  tools: IntakeTools = intakeTools,
): Promise<AmendResult> => amend(context, wanted, {}, tools);

function amendedContent(
  library: Library,
  before: SessionRecord,
  options: AmendOptions & { readonly tools: IntakeTools; readonly members: readonly Member[] },
): SessionContent {
  if (options.zone !== undefined) checkZone(options.zone);
  if (options.clockOffset !== undefined && !Number.isFinite(options.clockOffset)) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected seconds for --clock-offset but received ${options.clockOffset}.`,
    );
  }
  if (options.clockOffset !== undefined && options.firstFrameAt !== undefined) {
    throw new InputError(
      'USAGE',
      'Expected either --clock-offset or --first-frame-at but received both; the second finds the first.',
    );
  }
  const plan = options.planId === undefined ? undefined : findPlan(library, options.planId);
  if (options.at === undefined) renameFoundSite(library, before.site, options.site);
  const site: SiteRecord | undefined =
    siteSaid(library, options) ??
    before.site ??
    (plan?.siteId === undefined ? undefined : siteById(library, plan.siteId));
  // A site that was only a name and now has its place is as good as another site.
  const moved =
    site?.id !== before.site?.id ||
    site?.latitude !== before.site?.latitude ||
    site?.longitude !== before.site?.longitude;
  const planId = plan?.id ?? before.planId;
  const zone = options.zone ?? (moved ? (site?.zone ?? before.zone) : before.zone);
  const offsets = { ...before.clockOffsets };
  let clockOffset = before.clockOffset;
  const offset =
    options.firstFrameAt === undefined
      ? options.clockOffset
      : offsetForFirstFrame(options.tools, options.members, {
          wallTime: options.firstFrameAt,
          zone,
          body: options.body,
        });
  if (offset !== undefined) {
    if (options.body === undefined) {
      clockOffset = offset;
      for (const body of Object.keys(offsets)) delete offsets[body];
    } else offsets[options.body] = offset;
  }
  return {
    id: before.id,
    night: before.night,
    folder: before.folder,
    zone,
    clockOffset,
    clockOffsets: offsets,
    ...(site ? { siteId: site.id } : {}),
    ...(planId ? { planId } : {}),
  };
}

/**
 * Stores members under the nights their instants now say: most of them in the session itself, the rest in
 * the sessions of their nights.
 *
 * @returns ids of all sessions stored, the one with most members first
 */
async function storeByNight(
  library: Library,
  tools: IntakeTools,
  parts: {
    readonly context: WorkflowContext;
    readonly before: SessionRecord;
    readonly content: SessionContent;
    readonly members: readonly Member[];
    readonly planSaid: boolean;
  },
): Promise<string[]> {
  const { before, content } = parts;
  const site = content.siteId === undefined ? undefined : siteById(library, content.siteId);
  const position =
    site?.latitude === undefined || site.longitude === undefined
      ? undefined
      : { latitude: site.latitude, longitude: site.longitude };
  // A plan that was found by its date is looked for again when the date changes; one that a person named stays.
  const held = content.planId === undefined ? undefined : findPlan(library, content.planId);
  const planOf = (night: string): { readonly planId?: string } => {
    const stays = held && (parts.planSaid || held.night === night || held.night !== before.night);
    const planId = stays ? held.id : onlyPlan(library, night, site)?.id;
    return planId === undefined ? {} : { planId };
  };
  const nights = new Map<string, Member[]>();
  let last = before.night;
  for (const member of [...parts.members].sort((a, b) => (a.cardPath < b.cardPath ? -1 : 1))) {
    const start = startOf(tools, content, member.header);
    if (start !== undefined) last = nightOf(new Date(start), content.zone);
    nights.set(last, [...(nights.get(last) ?? []), member]);
  }
  const ordered = [...nights].sort(([a, x], [b, y]) => y.length - x.length || (a < b ? -1 : 1));
  const stored: string[] = [];
  const store = (session: SessionContent, members: readonly Member[]) =>
    storeSession(library, tools, {
      session: { ...session, remarks: clockRemarks(tools, { session, members, now: parts.context.clock() }) },
      site: position,
      members,
    });
  // Frames that leave are stored first, so that the session itself is counted without them.
  for (const [i, [night, members]] of [...ordered.entries()].reverse()) {
    const target = sessionsOfNight(library, night).find(
      (other) => other.id !== before.id && other.site?.id === content.siteId,
    );
    if (target || i > 0) {
      const name = target ?? newSessionName(library, night, site?.name);
      const { id: _, folder: __, planId: ___, ...shared } = content;
      await store(
        {
          ...shared,
          id: name.id,
          folder: name.folder,
          night,
          clockOffsets: { ...target?.clockOffsets, ...bodiesOffset(content, members) },
          ...(target?.planId ? { planId: target.planId } : planOf(night)),
          clockOffset: target?.clockOffset ?? content.clockOffset ?? 0,
        },
        joinMembers(
          tools,
          target ? await membersOf(parts.context, library, { tools, session: target }) : [],
          members.map((member) => ({ ...member, moved: true })),
        ),
      );
      stored.unshift(name.id);
    } else {
      const { planId: _, ...rest } = content;
      await store({ ...rest, ...planOf(night), night }, members);
      stored.unshift(content.id);
    }
  }
  if (!stored.includes(before.id)) await removeEmptySession(library, before.id);
  return stored;
}

/** Offsets by body, for frames that join a session with an offset of its own. */
const bodiesOffset = (content: SessionContent, members: readonly Member[]): Record<string, number> =>
  Object.fromEntries(
    members.map(({ header }) => [
      bodyOf(header),
      content.clockOffsets?.[bodyOf(header)] ?? content.clockOffset ?? 0,
    ]),
  );
