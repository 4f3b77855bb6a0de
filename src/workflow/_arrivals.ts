import { distanceKm, type Role, throwIfCancelled } from '../core/index.js';
import {
  type FailedFile,
  frame,
  frameIdsOfFiles,
  type Library,
  type LooseFile,
  looseFiles,
  newSessionName,
  type SessionContent,
  type SessionRecord,
  session,
  sessionsOfNight,
  setFailure,
  setRole,
  tidyIncoming,
} from '../library/index.js';
import { attachArrivals } from './_attach.js';
import { clockRemarks } from './_clock.js';
import type { IntakeTools } from './_intake-tools.js';
import { bodyOf, type Member, membersOf, newMember } from './_members.js';
import { choosePlace, firstZone, type PlaceChoice, type PlaceOptions, siteNotNamed } from './_site-choice.js';
import { storeAgain, storeSession } from './_sort-nights.js';
import { FAR_KM, splitNights, splitPlaces } from './_split-nights.js';
import type { WorkflowContext } from './context.js';
import type { Look } from './glimpse-worker.js';

/** What a person said about the card, beyond its place. */
export interface SortOptions extends PlaceOptions {
  /** s to add to the camera's clock. */
  readonly clockOffset?: number | undefined;
  /** What all frames of the card are for; outranks what is measured. */
  readonly role?: Role | undefined;
}

/** What sorting found. */
export interface Sorted {
  /** Ids of the sessions that received something. */
  readonly sessionIds: readonly string[];
  readonly damaged: readonly (FailedFile & { readonly fileId: number })[];
  readonly notes: readonly string[];
}

interface Arrival {
  readonly file: LooseFile;
  readonly look: Look;
}

/**
 * Sorts what arrived, by this import or an earlier one that was stopped, into sessions: looks at every file,
 * pairs the files of one shot, chooses the site of each night, groups, and joins what the night holds already.
 */
export async function sortArrivals(
  context: WorkflowContext,
  library: Library,
  options: SortOptions & {
    readonly tools: IntakeTools;
    readonly cardSessions: readonly string[];
    /** Catalogue ids of the card's files, those that the library held before among them. */
    readonly cardFiles: readonly number[];
  },
): Promise<Sorted> {
  const { tools } = options;
  const loose = looseFiles(library);
  const frameFiles = loose.filter(({ kind }) => kind === 'frame');
  const arrivals = await lookAtAll(context, tools, frameFiles);
  throwIfCancelled(context.signal);
  const damaged: (FailedFile & { fileId: number })[] = [];
  for (const { file, look } of arrivals) {
    if (file.failure || !look.failure) continue;
    const { code, message } = look.failure;
    setFailure(library, file.id, look.failure);
    damaged.push({ fileId: file.id, file: file.cardPath, copied: true, code, message });
  }
  const zone = firstZone(library, options);
  const { role } = options;
  const members = pairUp(library, tools, arrivals).map((member) =>
    role === undefined ? member : { ...member, chosenRole: role },
  );
  const toRegroup = new Set(role === undefined ? [] : sayRole(library, options.cardFiles, role));
  const nights = splitNights(members, { tools, zone, clockOffset: options.clockOffset ?? 0 });
  const placeSaid = options.site !== undefined || options.at !== undefined;
  const groups = [...nights]
    .sort(([a], [b]) => (a < b ? -1 : 1))
    .flatMap(([night, all]) => (placeSaid ? [all] : splitPlaces(all)).map((ofNight) => ({ night, ofNight })));
  const touched = new Set(options.cardSessions);
  const notes: string[] = [];
  const unnamed: string[] = [];
  for (const [i, { night, ofNight }] of groups.entries()) {
    throwIfCancelled(context.signal);
    context.progress({
      task: `sorting the night of ${night}`,
      done: i + 1,
      total: groups.length,
      note: `${ofNight.length} new frames`,
    });
    const place = choosePlace(library, options, { night, headers: ofNight.map(({ header }) => header) });
    const chosen = chooseSession(library, night, place, {
      nights: nights.size,
      ...options,
      members: ofNight,
    });
    const existing = chosen.existing
      ? await membersOf(context, library, { tools, session: chosen.existing })
      : [];
    const joined = joinMembers(tools, existing, ofNight);
    const remarks = clockRemarks(tools, { session: chosen.content, members: joined, now: context.clock() });
    await storeSession(library, tools, {
      session: { ...chosen.content, remarks },
      site: siteOf(place, chosen.existing),
      members: joined,
    });
    notes.push(...place.notes, ...remarks);
    if (place.source === 'none' && !chosen.existing?.site) unnamed.push(chosen.content.id);
    touched.add(chosen.content.id);
    toRegroup.delete(chosen.content.id);
  }
  for (const id of toRegroup) await storeAgain(context, library, { tools, session: session(library, id)! });
  if (unnamed.length > 0) notes.unshift(siteNotNamed(options.zone ?? zone, unnamed, options));
  const sessions = [...touched].map((id) => session(library, id)).filter((found) => found !== undefined);
  await attachArrivals(
    library,
    loose.filter(({ kind }) => kind === 'attachment'),
    sessions,
  );
  await tidyIncoming(library);
  return { sessionIds: [...touched], damaged, notes: [...new Set(notes)] };
}

/** Records the role of frames that the library held before. @returns ids of the sessions this changes */
function sayRole(library: Library, fileIds: readonly number[], role: Role): string[] {
  const changed = frameIdsOfFiles(library, fileIds)
    .map((id) => frame(library, id)!)
    .filter(({ chosenRole }) => chosenRole !== role);
  for (const { id } of changed) setRole(library, id, role);
  return changed.map(({ sessionId }) => sessionId);
}

async function lookAtAll(
  context: WorkflowContext,
  tools: IntakeTools,
  files: readonly LooseFile[],
): Promise<Arrival[]> {
  const worth = files.filter(({ failure }) => failure?.code !== 'EMPTY_FILE' && failure?.code !== 'ALL_ZERO');
  const looks = await tools.look(
    context,
    worth.map(({ path, name, size }) => ({ path, name, size })),
  );
  const byId = new Map(worth.map((file, i) => [file.id, looks[i]!]));
  return files.map((file) => ({ file, look: byId.get(file.id) ?? {} }));
}

function pairUp(library: Library, tools: IntakeTools, arrivals: readonly Arrival[]): Member[] {
  const taken = new Set<string>();
  const toMember = (group: readonly Arrival[]) =>
    newMember(
      library,
      group.map(({ file, look }) => {
        const failure = file.failure ?? look.failure;
        return {
          file,
          ...(look.header ? { header: look.header } : {}),
          ...(look.glimpse ? { glimpse: look.glimpse } : {}),
          ...(failure ? { failure } : {}),
        };
      }),
      taken,
    );
  const readable = arrivals.filter(({ look }) => look.header);
  const groups = tools.pair(
    readable.map(({ file, look }) => ({ path: file.cardPath, header: look.header! })),
  );
  return [
    ...groups.map((group) => toMember(group.map((i) => readable[i]!))),
    ...arrivals.filter(({ look }) => !look.header).map((arrival) => toMember([arrival])),
  ];
}

const siteOf = (place: PlaceChoice, existing: SessionRecord | undefined) => {
  const site = place.source === 'said' ? place.site : (existing?.site ?? place.site);
  return site?.latitude === undefined || site.longitude === undefined
    ? undefined
    : { latitude: site.latitude, longitude: site.longitude };
};

/** The session of a night that new frames join, or a new one. */
function chooseSession(
  library: Library,
  night: string,
  place: PlaceChoice,
  options: SortOptions & { readonly nights: number; readonly members: readonly Member[] },
): { readonly content: SessionContent; readonly existing?: SessionRecord } {
  // A plan named for another night is still meant when the card holds one night only.
  const plan = place.plan && (place.plan.night === night || options.nights === 1) ? place.plan : undefined;
  const there = sessionsOfNight(library, night);
  const existing =
    there.find(({ site }) => site?.id === place.site?.id) ??
    there.find(({ site }) => site === undefined) ??
    there.find(({ site }) => place.source !== 'said' && canJoin(place, site));
  if (!existing) {
    return {
      content: {
        ...newSessionName(library, night, place.site?.name),
        night,
        zone: place.zone,
        clockOffset: options.clockOffset ?? 0,
        ...(place.site ? { siteId: place.site.id } : {}),
        ...(plan ? { planId: plan.id } : {}),
      },
    };
  }
  const site = existing.site ?? place.site;
  const planId = options.planId ?? existing.planId ?? plan?.id;
  const offsets = { ...existing.clockOffsets };
  if (options.clockOffset !== undefined && options.clockOffset !== existing.clockOffset) {
    for (const { header } of options.members) offsets[bodyOf(header)] = options.clockOffset;
  }
  return {
    existing,
    content: {
      id: existing.id,
      night,
      folder: existing.folder,
      zone: options.zone ?? (existing.site ? existing.zone : place.zone),
      clockOffset: existing.clockOffset,
      clockOffsets: offsets,
      ...(site ? { siteId: site.id } : {}),
      ...(planId ? { planId } : {}),
    },
  };
}

/** A site that nobody named may join a session of the same night unless its position says otherwise. */
function canJoin(place: PlaceChoice, site: SessionRecord['site']): boolean {
  if (place.source !== 'header' || place.site === undefined) return true;
  if (site?.latitude === undefined || site.longitude === undefined) return true;
  const { latitude, longitude } = place.site;
  return (
    distanceKm(
      { latitude: latitude!, longitude: longitude! },
      { latitude: site.latitude, longitude: site.longitude },
    ) < FAR_KM
  );
}

/** New files of a shot that the session holds already join its frame; all others are frames of their own. */
export function joinMembers(
  tools: IntakeTools,
  existing: readonly Member[],
  fresh: readonly Member[],
): Member[] {
  if (existing.length === 0) return [...fresh];
  const all = [...existing, ...fresh];
  const readable = all.filter(({ hasHeader }) => hasHeader);
  const out = all.filter(({ hasHeader }) => !hasHeader);
  for (const group of tools.pair(readable.map(({ cardPath, header }) => ({ path: cardPath, header })))) {
    const members = group.map((i) => readable[i]!);
    const old = members.find((member) => !member.fresh);
    // The pair's best member leads; the frame keeps the id and the choices it had.
    const lead = members.find(({ sound }) => sound) ?? members[0]!;
    out.push({
      ...lead,
      id: (old ?? lead).id,
      fileIds: [lead, ...members.filter((member) => member !== lead)].flatMap(({ fileIds }) => fileIds),
      ...(old?.chosenRole ? { chosenRole: old.chosenRole } : {}),
    });
  }
  return out;
}
