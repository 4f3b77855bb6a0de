import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { EXIT } from './_exit.js';
import { nightText } from './_night-text.js';
import { positive } from './_values.js';

interface MeasureOptions extends SharedOptions {
  readonly maxTrail?: number;
  readonly reference?: string;
}

/** `measure [SESSION]`. */
export function registerMeasure(program: Command): void {
  withShared(
    program
      .command('measure')
      .description('find the stars, align them, and judge every light')
      .argument('[session]', 'session or sequence', 'latest')
      .option('--max-trail <px>', 'drop frames whose stars trail more than this', positive)
      .option('--reference <frame>', 'frame to align on, by id'),
  ).action((target: string, options: MeasureOptions) =>
    runCommand(options, async (context) => {
      const { measure, show } = await import('../workflow/index.js');
      const { runs } = await measure(context, target, {
        ...(options.maxTrail === undefined ? {} : { limits: { maxTrail: options.maxTrail } }),
        ...(options.reference === undefined ? {} : { reference: options.reference }),
      });
      const found = show(context, target);
      if (found.kind !== 'session') throw new TypeError('a measured target is a session');
      const { session, sequences } = found.view;
      const bad = runs.filter((run) => run.outcome === 'unusable');
      const lines = [nightText(found.view)];
      for (const run of runs) {
        for (const remark of run.judgement?.remarks ?? []) lines.push(remark);
        if (run.outcome === 'unusable') lines.push(`${run.sequenceId} could not be used: ${run.reason}`);
      }
      return {
        json: {
          session,
          sequences,
          runs: runs.map(({ sequenceId, outcome, reason }) => ({ sequenceId, outcome, reason })),
        },
        text: lines.join('\n'),
        ...(bad.length === 0 ? {} : { exit: bad.length === runs.length ? EXIT.nothing : EXIT.part }),
      };
    }),
  );
}
