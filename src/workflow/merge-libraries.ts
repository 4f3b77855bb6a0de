import { existsSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join, resolve } from 'node:path';
import { InputError, throwIfCancelled } from '../core/index.js';
import {
  filesInCommon,
  frame,
  frameIdsOfFiles,
  framesOf,
  holdLibrary,
  insideLibrary,
  LAYOUT,
  type Library,
  newSessionName,
  notesOf,
  openLibrary,
  type SessionRecord,
  session as sessionOf,
  sessions as sessionsIn,
  setNotes,
  setRole,
  setTags,
  setVerdict,
  tagsOf,
  tidyIncoming,
  transferAttachments,
  transferGear,
  transferSession,
  verifySession,
} from '../library/index.js';
import { withHeldLibrary } from './_held-library.js';
import { type IntakeTools, intakeTools } from './_intake-tools.js';
import { regroup } from './amend.js';
import type { WorkflowContext } from './context.js';
import { importCard } from './import.js';

/** What became of one session of the other library. */
export interface MergedSession {
  /** Its id there. */
  readonly from: string;
  /** Its id here. */
  readonly id: string;
  /**
   * `brought` whole with its measurements, stacks and report; `joined` to a session of the same night that was
   * here, whose frames are to be measured again; `here` already.
   */
  readonly how: 'brought' | 'joined' | 'here';
  readonly frameCount: number;
}

/** What a merge came to. */
export interface MergeResult {
  readonly sessions: readonly MergedSession[];
  readonly masters: number;
  readonly notes: readonly string[];
}

/**
 * Brings everything of another library into this one: nights, plans, sites, masters, notes and a person's
 * choices. The other library is only read. Every file is copied, read back and compared; running it again,
 * after a stop or later, brings only what is missing.
 *
 * @throws {InputError} when the other folder is no library, or the same one
 * @throws {StorageError | Cancelled}
 */
export async function mergeLibraries(
  context: WorkflowContext,
  otherDir: string,
  tools: IntakeTools = intakeTools,
): Promise<MergeResult> {
  const other = resolve(otherDir);
  if (!existsSync(join(other, LAYOUT.catalogue))) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a library at ${other} but there is no ${LAYOUT.catalogue} in it; give the folder that holds it.`,
    );
  }
  if (other === resolve(context.libraryDir)) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected two libraries to merge but both are ${other}; name the other one.`,
    );
  }
  const from = openLibrary(other, { mode: 'read', oneMoment: true, untouched: true });
  try {
    const merged: MergedSession[] = [];
    const notes: string[] = [];
    const { masters, toJoin } = await bringWhole(context, from, merged, notes);
    for (const found of toJoin) {
      markJoin(context.libraryDir, from.dir, found.id, 'begun');
      merged.push(await joinNight(context, from, { found, tools, notes }));
      markJoin(context.libraryDir, from.dir, found.id, 'done');
    }
    return { sessions: merged.sort((a, b) => (a.from < b.from ? -1 : 1)), masters, notes };
  } finally {
    from.close();
  }
}

/** Which sessions of which other library are being joined; it lies in the library while that lasts. */
const JOINING = '.joining';

/** Sessions of the other library whose joining was begun and not ended, by their ids there. */
function joinsBegun(dir: string, other: string): readonly string[] {
  const mark = join(dir, JOINING);
  if (!existsSync(mark)) return [];
  try {
    const said = JSON.parse(readFileSync(mark, 'utf8')) as { other: string; sessions: string[] };
    return said.other === other ? said.sessions : [];
  } catch {
    return []; // half written: the power went before a frame was copied
  }
}

/** Frames of a joined night come before its words: a stop between them must not look like "all is here". */
function markJoin(dir: string, other: string, sessionId: string, how: 'begun' | 'done'): void {
  const rest = joinsBegun(dir, other).filter((id) => id !== sessionId);
  const joining = how === 'begun' ? [...rest, sessionId] : rest;
  if (joining.length === 0) rmSync(join(dir, JOINING), { force: true });
  else writeFileSync(join(dir, JOINING), JSON.stringify({ other, sessions: joining }));
}

/** Brings the sessions of nights that are not here yet, as they are, and all that belongs to no night. */
async function bringWhole(
  context: WorkflowContext,
  from: Library,
  merged: MergedSession[],
  notes: string[],
): Promise<{ readonly masters: number; readonly toJoin: readonly SessionRecord[] }> {
  const { progress, signal } = context;
  return withHeldLibrary(context, 'merging a library', async (to) => {
    const work = { move: false, progress, signal };
    const masters = await transferGear(from, to, work);
    const toJoin: SessionRecord[] = [];
    const joins = joinsBegun(context.libraryDir, from.dir);
    for (const found of sessionsIn(from).reverse()) {
      throwIfCancelled(signal);
      const { files, held } = filesInCommon(from, to, found.id);
      if (files > 0 && held === files && !joins.includes(found.id)) {
        const id = homeOf(from, to, found);
        merged.push({ from: found.id, id, how: 'here', frameCount: found.frameCount });
      } else if (held > 0 || sessionOf(to, found.id)) toJoin.push(found);
      else {
        const free = newSessionName(to, found.night, found.site?.name);
        // Its own name wherever that is free: a report sent to a friend keeps its links.
        const name = { id: found.id, folder: found.folder };
        const taken = sessionsIn(to).some(({ folder }) => folder === found.folder);
        const chosen = taken ? free : name;
        const { missing } = await transferSession(from, to, found.id, { ...work, name: chosen });
        notes.push(...missing.map(notThere));
        merged.push({ from: found.id, id: chosen.id, how: 'brought', frameCount: found.frameCount });
      }
    }
    await tidyIncoming(to);
    return { masters, toJoin };
  });
}

const notThere = (path: string): string =>
  `${path} is missing from the other library and could not come along.`;

/** The session here that holds the files of one there. */
function homeOf(from: Library, to: Library, found: SessionRecord): string {
  const first = twins(from, to, found.id)[0];
  return first ? frame(to, first.here)!.sessionId : found.id;
}

/** Frames of a session there with the frame here that holds the same bytes. */
function twins(from: Library, to: Library, sessionId: string) {
  return framesOf(from, sessionId).flatMap((there) => {
    const ids = there.files.flatMap(({ sha256 }) =>
      to.database
        .prepare<[Buffer], { id: number }>('SELECT id FROM files WHERE sha256 = ?')
        .all(Buffer.from(sha256, 'hex'))
        .map(({ id }) => id),
    );
    const here = frameIdsOfFiles(to, ids)[0];
    return here === undefined ? [] : [{ there, here }];
  });
}

/** Imports the frames of a night that is here in part, then carries over what a person said there. */
async function joinNight(
  context: WorkflowContext,
  from: Library,
  work: { readonly found: SessionRecord; readonly tools: IntakeTools; readonly notes: string[] },
): Promise<MergedSession> {
  const { found, tools, notes } = work;
  const site = found.site;
  // An import takes files as they are; what the other catalogue says of them is asked first.
  notes.push(...(await verifySession(from, found.id, context.signal)).map(notThere));
  const result = await importCard(
    context,
    {
      card: insideLibrary(from.dir, `${found.folder}/frames`),
      zone: found.zone,
      ...(site ? { site: site.name } : {}),
      ...(found.clockOffset === 0 ? {} : { clockOffset: found.clockOffset }),
    },
    tools,
  );
  const to = openLibrary(context.libraryDir, { mode: 'write' });
  let rolesChanged = false;
  let id: string;
  try {
    id = homeOf(from, to, found);
    const pairs = twins(from, to, found.id);
    const release = await holdLibrary(to, { task: 'merging a library', signal: context.signal });
    try {
      const ids = pairs.map(({ there, here }) => ({ there: there.id, here }));
      await transferAttachments(from, to, ids, { ...context, move: false });
    } finally {
      release();
    }
    for (const { there, here } of pairs) {
      const own = frame(to, here)!;
      if (there.chosenRole && !own.chosenRole) {
        setRole(to, here, there.chosenRole);
        rolesChanged = true;
      }
      const said = there.measurement?.verdictBy === 'person' ? there.measurement.verdict : undefined;
      if (said && own.measurement?.verdictBy !== 'person') setVerdict(to, here, said, 'person');
    }
    addWords(from, to, { kind: 'session', there: found.id, here: id });
  } finally {
    to.close();
  }
  if (rolesChanged) await regroup(context, id, tools);
  addWordsOfRuns(context, from, found.id);
  if (result.import.copied > 0) notes.push(`${id} received frames: measure and stack it again.`);
  return { from: found.id, id, how: 'joined', frameCount: found.frameCount };
}

/** Adds notes and tags of something there to those of the same thing here. */
function addWords(
  from: Library,
  to: Library,
  of: { readonly kind: 'session' | 'sequence' | 'frame'; readonly there: string; readonly here: string },
): void {
  const owner = { kind: of.kind, id: of.here };
  const words = notesOf(from, of.kind, of.there);
  const mine = notesOf(to, of.kind, of.here);
  if (words !== '' && !mine.includes(words))
    setNotes(to, owner, [mine, words].filter((text) => text !== '').join('\n'));
  const tags = tagsOf(from, of.kind, of.there);
  if (tags.length > 0) setTags(to, owner, [...tagsOf(to, of.kind, of.here), ...tags]);
}

/** Carries words of runs to the runs that now hold their frames, and those of frames to the frames. */
function addWordsOfRuns(context: WorkflowContext, from: Library, sessionId: string): void {
  const to = openLibrary(context.libraryDir, { mode: 'write' });
  try {
    const done = new Set<string>();
    for (const { there, here } of twins(from, to, sessionId)) {
      addWords(from, to, { kind: 'frame', there: there.id, here });
      const home = frame(to, here)?.sequenceId;
      if (there.sequenceId === undefined || home === undefined || done.has(there.sequenceId)) continue;
      done.add(there.sequenceId);
      addWords(from, to, { kind: 'sequence', there: there.sequenceId, here: home });
    }
  } finally {
    to.close();
  }
}
