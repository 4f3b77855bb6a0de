import { readFile } from 'node:fs/promises';
import { join } from 'node:path';
import {
  alignmentOf,
  findSession,
  framesOf,
  insideLibrary,
  nightFolders,
  openLibrary,
  type SequenceRecord,
  sequencesOf,
  stacksOf,
} from '../library/index.js';
import type { AskedOfRun, MeasuredRun } from './_measure-work.js';
import type { WorkflowContext } from './context.js';
import { measure } from './measure.js';
import { writeReport } from './report.js';

/** What follows from a correction. */
export interface FollowOptions {
  /** Instants or the site changed: verdicts that rest on the sky are judged anew. */
  readonly skyChanged: boolean;
  /** False leaves measuring for later; reports are written again all the same. */
  readonly measure: boolean;
}

/** What was worked out again after a correction. */
export interface Followed {
  readonly runs: readonly MeasuredRun[];
  /** Runs that should be measured again but were left for later. */
  readonly left: readonly string[];
  /** index.html of each report that was written again. */
  readonly reports: readonly string[];
  /** Runs whose every stack was made before the change. */
  readonly staleStacks: readonly string[];
}

/**
 * Works out again what rests on a correction and had been worked out before: measures the runs whose frames,
 * instants or site changed, and writes the reports that there are. Stacks are not made again, they say that
 * they are older. What was asked for when a run was judged (`--max-trail` and the like) holds again while its frames
 * are the same. What was never measured or reported is left alone.
 *
 * @param sessionIds sessions that changed; ids that are gone are passed over
 */
export async function followUp(
  context: WorkflowContext,
  sessionIds: readonly string[],
  options: FollowOptions,
): Promise<Followed> {
  const runs: MeasuredRun[] = [];
  const left: string[] = [];
  const reports: string[] = [];
  const staleStacks: string[] = [];
  for (const id of sessionIds) {
    const { due, stale, report } = await dueIn(context, id, options.skyChanged);
    staleStacks.push(...stale);
    if (options.measure) {
      for (const { run, asked } of due) runs.push(...(await measure(context, run, asked)).runs);
    } else left.push(...due.map(({ run }) => run));
    if (report) reports.push((await writeReport(context, id, report)).path);
  }
  return { runs, left, reports, staleStacks };
}

async function dueIn(
  context: WorkflowContext,
  id: string,
  skyChanged: boolean,
): Promise<{
  readonly due: readonly { readonly run: string; readonly asked: AskedOfRun | undefined }[];
  readonly stale: readonly string[];
  readonly report: { readonly private: boolean; readonly with?: string } | undefined;
}> {
  const library = openLibrary(context.libraryDir, { mode: 'read' });
  try {
    const session = findSession(library, id);
    const held = sequencesOf(library, id).filter(({ frameCount }) => frameCount > 0);
    // A run whose frames changed has lost its alignment; what was measured of its frames is still there.
    const wasMeasured = ({ id: run, role }: SequenceRecord) =>
      role === 'light' &&
      framesOf(library, run).some(({ measurement }) => measurement?.starCount !== undefined);
    const due = held
      .filter((run) => wasMeasured(run) && (skyChanged || alignmentOf(library, run.id) === undefined))
      .map(({ id: run }) => ({ run, asked: alignmentOf<{ asked?: AskedOfRun }>(library, run)?.asked }));
    const stale = sequencesOf(library, id)
      .map((run) => run.id)
      .filter((run) => {
        const stacks = stacksOf(library, run);
        return stacks.length > 0 && stacks.every((stack) => stack.stale);
      });
    const dir = insideLibrary(library.dir, nightFolders(session.folder).report);
    return { due, stale, report: await askedOf(join(dir, 'session.json')) };
  } finally {
    library.close();
  }
}

/** How the report that lies there was asked for; undefined when there is none. */
async function askedOf(
  path: string,
): Promise<{ readonly private: boolean; readonly with?: string } | undefined> {
  try {
    const { asked } = JSON.parse(await readFile(path, 'utf8')) as {
      asked?: { private?: unknown; with?: unknown };
    };
    return {
      // Of a report that does not say, the careful reading: the place stays hidden.
      private: asked?.private !== false,
      ...(typeof asked?.with === 'string' ? { with: asked.with } : {}),
    };
  } catch {
    return undefined;
  }
}
