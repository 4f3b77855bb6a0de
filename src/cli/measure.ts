import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { EXIT } from './_exit.js';
import { type JudgingOptions, judgingOf, withJudging } from './_judging-options.js';
import { nightText } from './_night-text.js';
import { frameTable, runPlots } from './_run-plots.js';

interface MeasureOptions extends SharedOptions, JudgingOptions {
  readonly reference?: string;
  readonly table?: boolean;
}

/** `measure [SESSION]`. */
export function registerMeasure(program: Command): void {
  withShared(
    withJudging(
      program
        .command('measure')
        .description('find the stars, align them, and judge every light')
        .argument('[session]', 'session or sequence', 'latest'),
    )
      .option('--reference <frame>', 'frame to align on, by id')
      .option('--table', 'every frame with what was measured of it'),
  ).action((target: string, options: MeasureOptions) =>
    runCommand(options, async (context) => {
      const { measure, show } = await import('../workflow/index.js');
      const { runs } = await measure(context, target, {
        ...judgingOf(options),
        ...(options.reference === undefined ? {} : { reference: options.reference }),
      });
      const found = show(context, target);
      if (found.kind !== 'session') throw new TypeError('a measured target is a session');
      const { session, sequences } = found.view;
      const bad = runs.filter((run) => run.outcome === 'unusable');
      const lines = [nightText(found.view)];
      for (const sequence of sequences) {
        if (!sequence.frames.some(({ verdict }) => verdict !== 'none')) continue;
        lines.push('', runPlots(sequence, session.site.zone));
        if (options.table) lines.push('', frameTable(sequence, session.site.zone));
      }
      if (runs.some((run) => (run.judgement?.remarks.length ?? 0) > 0)) lines.push('');
      for (const run of runs) {
        for (const remark of run.judgement?.remarks ?? []) lines.push(remark);
        if (run.outcome === 'unusable') lines.push(`${run.sequenceId} could not be used: ${run.reason}`);
      }
      return {
        json: {
          session,
          sequences,
          runs: runs.map(({ sequenceId, outcome, reason, judgement }) => ({
            sequenceId,
            outcome,
            reason,
            remarks: judgement?.remarks,
          })),
        },
        text: lines.join('\n'),
        ...(bad.length === 0 ? {} : { exit: bad.length === runs.length ? EXIT.nothing : EXIT.part }),
      };
    }),
  );
}
