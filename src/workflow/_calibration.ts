import { createHash } from 'node:crypto';
import { existsSync } from 'node:fs';
import { join } from 'node:path';
import type { WorkerPool } from '../kernels/index.js';
import {
  framePath,
  framesOf,
  insideLibrary,
  LAYOUT,
  type Library,
  type SequenceRecord,
  type SessionRecord,
  saveMaster,
  sequencesOf,
} from '../library/index.js';
import { type CalibrationSet, matchMasters } from '../nights/index.js';
import type { Master, MasterKind } from '../stacking/index.js';
import { loadMaster, saveMasterFile } from './_master-file.js';
import { calibrationSet, earlierSets } from './_master-offers.js';
import type { WorkflowContext } from './context.js';

/** A master chosen for a run of lights. */
export interface ChosenMaster {
  readonly kind: MasterKind;
  /** Absolute path of its file. */
  readonly path: string;
  /** Its pixels are let go once a run is prepared. */
  readonly master: Omit<Master, 'data'> & { readonly data?: Float32Array };
  /** Ids of the frames it was made from, for the recipe. */
  readonly frameIds: readonly string[];
  /** One sentence: what it is and how well it matches. */
  readonly text: string;
}

export interface Calibration {
  readonly masters: readonly ChosenMaster[];
  /** Sentences on masters that were refused, and on what is missing. */
  readonly notes: readonly string[];
}

interface Work {
  readonly context: WorkflowContext;
  readonly library: Library;
  readonly pool: WorkerPool;
  readonly session: SessionRecord;
  readonly sequence: SequenceRecord;
  /** Use masters that do not match; only what can never work is refused then. */
  readonly force: boolean;
  /** Leave darks and biases out. */
  readonly withoutDarks?: boolean;
}

/**
 * Chooses and makes the master bias, dark and flat of a run: from its own night first, else the best that
 * earlier nights left in the library. Nothing matching is no error; the notes say what and why.
 */
export async function calibrationFor(work: Work): Promise<Calibration> {
  const { library, session, sequence } = work;
  const notes: string[] = [];
  if (sequence.inCameraDark === 'sure') {
    notes.push('The camera subtracted a dark of its own after each frame, so none was subtracted again.');
  }
  const lights = calibrationSet(library, sequence);
  if (!lights) return { masters: [], notes };
  const own = sequencesOf(library, session.id);
  const ownSets = own.map((other) => calibrationSet(library, other)).filter((set) => set !== undefined);
  const chosen: ChosenMaster[] = [];
  for (const kind of work.withoutDarks ? (['flat'] as const) : (['bias', 'dark', 'flat'] as const)) {
    if (kind === 'dark' && sequence.inCameraDark === 'sure') continue;
    const candidates = ownSets.filter((set) => set.role === kind);
    const ranked = matchMasters(lights, candidates);
    const best = ranked.find((match) => match.quality !== 'refused') ?? (work.force ? ranked[0] : undefined);
    if (best) {
      chosen.push(await makeOwn(work, kind, best.id, best.reason, chosen));
      continue;
    }
    for (const match of ranked) notes.push(`${match.id} was not used as ${kind}: ${match.reason}`);
    const earlier = await fromEarlierNights(work, kind, lights);
    if (earlier) chosen.push(earlier);
  }
  if (work.withoutDarks) {
    notes.push('No darks were subtracted, as asked: defects were found from the run itself.');
  } else if (!chosen.some((master) => master.kind === 'dark') && sequence.inCameraDark !== 'sure') {
    notes.push('No matching darks: defects were found from the run itself.');
  }
  return { masters: chosen, notes };
}

const masterName = (kind: MasterKind, ids: readonly string[]): string =>
  `${kind}-${createHash('sha256').update(ids.join('\n')).digest('hex').slice(0, 12)}`;

async function makeOwn(
  work: Work,
  kind: MasterKind,
  sequenceId: string,
  reason: string,
  chosen: readonly ChosenMaster[],
): Promise<ChosenMaster> {
  const { context, library, pool, session } = work;
  const frames = framesOf(library, sequenceId).filter((frame) => frame.sound);
  const frameIds = frames.map((frame) => frame.id);
  const id = masterName(kind, frameIds);
  const stored = `${LAYOUT.masters}/${id}.fits`;
  const path = insideLibrary(library.dir, stored);
  let master: Master;
  if (existsSync(path)) {
    master = await loadMaster(path);
  } else {
    context.progress({ task: `combining ${frames.length} ${kind} frames`, done: 0, total: 1, unit: 'steps' });
    // A flat's own bias or dark comes off it first.
    const subtract = kind === 'flat' ? chosen.find((other) => other.kind === 'bias')?.path : undefined;
    ({ master } = await pool.run<{ master: Master }>(
      'makeMaster',
      {
        kind,
        paths: frames.map((frame) => framePath(library, frame)),
        ...(subtract === undefined ? {} : { subtract }),
      },
      { signal: context.signal },
    ));
    await saveMasterFile(path, master);
    context.progress({ task: `combining ${frames.length} ${kind} frames`, done: 1, total: 1, unit: 'steps' });
  }
  const { data: _data, darkBorder: _border, ...body } = master;
  saveMaster(library, {
    id,
    kind,
    ...(master.camera === undefined ? {} : { camera: master.camera }),
    ...(master.iso === undefined ? {} : { iso: master.iso }),
    ...(master.exposureTime === undefined ? {} : { exposureTime: master.exposureTime }),
    ...(master.temperature === undefined ? {} : { temperature: master.temperature }),
    night: session.night,
    width: master.width,
    height: master.height,
    decoder: master.decoder,
    frameCount: master.frames,
    sequenceId,
    path: stored,
    body: { ...body, frameIds },
  });
  return {
    kind,
    path,
    master,
    frameIds,
    text: `${master.frames} ${kind === 'bias' ? 'biases' : `${kind}s`} of the same night (${reason.replace(/\.$/, '')})`,
  };
}

async function fromEarlierNights(
  work: Work,
  kind: MasterKind,
  lights: CalibrationSet,
): Promise<ChosenMaster | undefined> {
  const { library } = work;
  const { records, sets } = earlierSets(library, kind, lights);
  const best = matchMasters(lights, sets).find((match) => match.quality !== 'refused');
  const record = best && records.find((candidate) => candidate.id === best.id);
  if (!best || !record) return undefined;
  const path = join(library.dir, ...record.path.split('/'));
  if (!existsSync(path)) return undefined;
  const body = record.body as { frameIds?: readonly string[] } | undefined;
  return {
    kind,
    path,
    master: await loadMaster(path),
    frameIds: body?.frameIds ?? [],
    text: `a master ${kind} of ${record.frameCount} frames from ${record.night ?? 'an earlier night'} (${best.reason.replace(/\.$/, '')})`,
  };
}
