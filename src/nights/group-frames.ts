import { distanceKm } from '../core/index.js';
import { cadenceOf, holesOf, inCameraDark, isSteady, realShutter } from './_cadence.js';
import { type Shot, streamsOf } from './_order.js';
import { findRoles } from './_roles.js';
import { runsOf, shutterOf } from './_runs.js';
import { settingsText } from './_settings.js';
import { type Draft, draftsOf, findTests } from './_tests.js';
import type { FrameForGrouping, FrameRole, GroupedSequence, GroupedSession, Grouping } from './types.js';

export interface GroupingOptions {
  /** The local date of the evening, `YYYY-MM-DD`, to which an instant belongs (local noon to local noon). */
  readonly nightOf: (startMs: number) => string;
}

/** Sites further apart than this, km, are two sessions of one night. */
const SITE_SPAN_KM = 5;

/**
 * Sorts a heap of frames: what each is for, which belong together, which night they are of.
 *
 * Every frame given comes out in exactly one sequence and has exactly one role; the order in which they are
 * given does not matter. Frames without a time keep the order of folder and number, are cut by role and
 * settings only, and come in a session whose `night` is '' (the caller decides); one between two dated
 * neighbours by number takes its place among them. Files of one exposure (a JPEG beside its RAW) follow
 * their RAW in the same sequence and name it in `FrameRole.twinOf`.
 */
export function groupFrames(frames: readonly FrameForGrouping[], options: GroupingOptions): Grouping {
  const nights = new Map<number, string>();
  const nightOf = (startMs: number): string => {
    let night = nights.get(startMs);
    if (night === undefined) {
      night = options.nightOf(startMs);
      nights.set(startMs, night);
    }
    return night;
  };
  const streams = streamsOf(frames);
  const found = findRoles(streams);
  const roles: FrameRole[] = [];
  const placed: { night: string; draft: Draft }[] = [];
  for (const stream of streams) {
    const runs = runsOf(stream, { roleOf: (shot) => found.get(shot)!, nightOf });
    for (const draft of findTests(runs.flatMap(draftsOf))) {
      const start = draft.shots[0]!.startMs;
      placed.push({ night: start === undefined ? '' : nightOf(start), draft });
      for (const shot of draft.shots)
        roles.push(
          ...rolesOf(shot, { role: draft.role, reason: draft.testReason ?? found.get(shot)!.reason }),
        );
    }
  }
  const byId = (a: { readonly id: string }, b: { readonly id: string }) =>
    a.id < b.id ? -1 : a.id > b.id ? 1 : 0;
  return { roles: roles.sort(byId), sessions: sessionsOf(placed) };
}

/** The role of a shot for each of its files. */
function rolesOf({ frame, twins }: Shot, role: Omit<FrameRole, 'id'>): FrameRole[] {
  return [
    { id: frame.id, ...role },
    ...twins.map((twin) => ({
      id: twin.id,
      role: twin.chosenRole ?? role.role,
      reason: `The same exposure as ${frame.path.split('/').at(-1)}. ${role.reason}`,
      twinOf: frame.id,
    })),
  ];
}

/** Collects drafts into sessions by night and site, both in order of time. */
function sessionsOf(placed: readonly { night: string; draft: Draft }[]): GroupedSession[] {
  const nights = new Map<string, Draft[]>();
  for (const { night, draft } of placed) {
    const list = nights.get(night);
    if (list) list.push(draft);
    else nights.set(night, [draft]);
  }
  const sessions: GroupedSession[] = [];
  for (const night of [...nights.keys()].sort()) {
    const drafts = nights.get(night)!.sort(compareDrafts);
    const chosen = drafts.flatMap(({ shots }) => shots.filter(({ frame }) => frame.chosenRole));
    for (const { place, members } of bySite(drafts))
      sessions.push({
        night,
        sequences: members.map((draft) => sequenceOf(draft, chosen)),
        ...(place ? { place } : {}),
      });
  }
  return sessions;
}

function compareDrafts(a: Draft, b: Draft): number {
  const [first, second] = [a.shots[0]!, b.shots[0]!];
  const byTime = (first.startMs ?? 0) - (second.startMs ?? 0);
  if (byTime !== 0) return byTime;
  return first.frame.path < second.frame.path ? -1 : first.frame.path > second.frame.path ? 1 : 0;
}

interface Site {
  readonly place?: { readonly latitude: number; readonly longitude: number };
  readonly members: Draft[];
}

/** Parts a night by the position in the headers; what has none stays with what was shot before it. */
function bySite(drafts: readonly Draft[]): Site[] {
  const sites: Site[] = [];
  let current: Site | undefined;
  const waiting: Draft[] = [];
  for (const draft of drafts) {
    const place = draft.shots.find((shot) => shot.frame.header.gps)?.frame.header.gps;
    if (place) {
      let site = sites.find((other) => other.place && distanceKm(other.place, place) <= SITE_SPAN_KM);
      if (!site) {
        site = { place: { latitude: place.latitude, longitude: place.longitude }, members: [] };
        sites.push(site);
      }
      current = site;
      site.members.push(...waiting.splice(0), draft);
    } else if (current) current.members.push(draft);
    else waiting.push(draft);
  }
  if (waiting.length > 0) sites.push({ members: waiting });
  return sites;
}

/** What there is to say of a run; `chosen` are the frames of its night whose role a person said. */
function sequenceOf(draft: Draft, chosen: readonly Shot[]): GroupedSequence {
  const { shots, role, bracketed } = draft;
  const cadence = cadenceOf(shots);
  const steady = isSteady(shots);
  const knocks = new Set(draft.knocks.map((shot) => shot.frame.id));
  const timed = role === 'light' && !bracketed;
  const shutter = shutterOf(shots);
  const real = timed || role === 'dark' ? realShutter(shutter, cadence, steady) : undefined;
  const cameraDark = timed ? inCameraDark(shots, cadence) : undefined;
  return {
    frameIds: shots.flatMap((shot) => [shot.frame.id, ...shot.twins.map((twin) => twin.id)]),
    role,
    bracketed,
    segmentStarts: draft.knocks.map((shot) => shot.frame.id),
    holes: timed ? holesOf(shots, cadence, { knocks, elsewhere: chosen }) : [],
    notes: [...draft.notes, ...notesOf(draft, { cadence, cameraDark, real })],
    ...(cadence === undefined ? {} : { cadence }),
    ...(real === undefined ? {} : { realExposureTime: real }),
    ...(cameraDark === undefined ? {} : { inCameraDark: cameraDark }),
  };
}

interface Facts {
  readonly cadence: number | undefined;
  readonly cameraDark: 'likely' | 'sure' | undefined;
  readonly real: number | undefined;
}

function notesOf({ shots, knocks, bracketed }: Draft, { cadence, cameraDark, real }: Facts): string[] {
  const notes: string[] = [];
  const { header } = shots[0]!.frame;
  if (knocks.length > 0) {
    const names = knocks.map((shot) => shot.frame.path.split('/').at(-1)).join(', ');
    notes.push(`The tripod was knocked before ${names}: one sky, ${knocks.length + 1} framings of the land.`);
  }
  if (bracketed) {
    const shutters = [...new Set(shots.map((shot) => shot.frame.header.exposureTime))].filter(
      (s) => s !== undefined,
    );
    notes.push(`A bracket of ${shutters.length} shutters at ${settingsText(header, { shutter: false })}.`);
  }
  if (real !== undefined && header.exposureTime !== undefined && real > header.exposureTime)
    notes.push(
      `A frame every ${cadence!.toFixed(1)} s: the ${header.exposureTime} s shutter really runs ${real} s.`,
    );
  if (cameraDark === 'likely')
    notes.push(
      `A frame every ${cadence!.toFixed(0)} s is about twice the shutter: the camera probably took a dark of its own after each one.`,
    );
  if (cameraDark === 'sure')
    notes.push('The camera took a dark of its own after each frame: none is subtracted again.');
  const clockless = shots.filter(
    (shot) => shot.startMs !== undefined && shot.frame.startMs === undefined,
  ).length;
  if (clockless > 0)
    notes.push(
      `${clockless} frame${clockless === 1 ? '' : 's'} without a time stand${clockless === 1 ? 's' : ''} where the number says.`,
    );
  return notes;
}
