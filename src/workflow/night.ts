import { InputError } from '../core/index.js';
import { openLibrary, sequencesOf, toSequence, toSession } from '../library/index.js';
import type { MeasureConfig, MeasuredRun } from './_measure-work.js';
import type { StackConfig, StackOutcome } from './_stack-config.js';
import type { WorkflowContext } from './context.js';
import { type ImportOptions, type ImportResult, importCard } from './import.js';
import { measure } from './measure.js';
import { writeReport } from './report.js';
import { stack } from './stack.js';

/** Settings of a whole night. */
export interface NightOptions extends ImportOptions {
  readonly measure?: Partial<MeasureConfig>;
  readonly stack?: Partial<StackConfig>;
}

/** All that came of a card. */
export interface NightResult {
  readonly imported: ImportResult;
  readonly sessions: readonly ReturnType<typeof toSession>[];
  /** The session with most lights. */
  readonly session: ReturnType<typeof toSession> | undefined;
  readonly sequences: readonly ReturnType<typeof toSequence>[];
  readonly runs: readonly MeasuredRun[];
  readonly stacks: readonly StackOutcome[];
  /** index.html of that session's report. */
  readonly report: string | undefined;
  /** True when something failed that the person should look at. */
  readonly inPart: boolean;
}

/**
 * The main job in one go: imports a card, then measures, stacks and reports each of its nights.
 *
 * @throws {InputError} CARD_MISSING, NO_FRAMES and what the stages throw before any work
 */
export async function night(context: WorkflowContext, options: NightOptions): Promise<NightResult> {
  const imported = await importCard(context, options);
  const runs: MeasuredRun[] = [];
  const stacks: StackOutcome[] = [];
  const reports = new Map<string, string>();
  for (const { id, lightCount } of imported.sessions) {
    if (lightCount > 0) {
      runs.push(...(await measure(context, id, options.measure)).runs);
      stacks.push(...(await stack(context, id, options.stack)).stacks);
    }
    reports.set(id, (await writeReport(context, id)).path);
  }
  const main = imported.session;
  if (!main && imported.sessions.length === 0) {
    throw new InputError('NO_FRAMES', 'No frame on this card could be sorted into a night.');
  }
  const library = openLibrary(context.libraryDir, { mode: 'read' });
  try {
    const sequences = imported.sessions.flatMap(({ id }) => sequencesOf(library, id));
    return {
      imported,
      sessions: imported.sessions.map(toSession),
      session: main && toSession(main),
      sequences: sequences.map(toSequence),
      runs,
      stacks,
      report: main && reports.get(main.id),
      inPart:
        imported.import.failed.length > 0 ||
        runs.some(({ outcome }) => outcome !== 'done') ||
        stacks.some(({ outcome }) => outcome !== 'done'),
    };
  } finally {
    library.close();
  }
}
