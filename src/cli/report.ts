import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';

/** `report [SESSION]`. */
export function registerReport(program: Command): void {
  withShared(
    program
      .command('report')
      .description('write the report of a night: a page to read, keep and print')
      .argument('[session]', 'session, or a night', 'latest'),
  ).action((target: string, options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { writeReport } = await import('../workflow/index.js');
      const { session, path, data } = await writeReport(context, target);
      const { headline } = await import('../report/index.js');
      return { json: { session, report: path }, text: `${headline(data)}\nThe report: ${path}` };
    }),
  );
}
