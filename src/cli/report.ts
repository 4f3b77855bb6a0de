import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';

interface ReportOptions extends SharedOptions {
  readonly with?: string;
  readonly private?: boolean;
}

/** `report [SESSION]`. */
export function registerReport(program: Command): void {
  withShared(
    program
      .command('report')
      .description('write the report of a night: a page to read, keep and print')
      .argument('[session]', 'session, or a night', 'latest')
      .option('--with <session>', 'set another session beside it')
      .option('--private', 'leave out where it was'),
  ).action((target: string, options: ReportOptions) =>
    runCommand(options, async (context) => {
      const { writeReport } = await import('../workflow/index.js');
      const { session, path, told } = await writeReport(context, target, {
        ...(options.with === undefined ? {} : { with: options.with }),
        private: options.private === true,
      });
      const lines = [told.headline, ...told.matters.map((text) => `- ${text}`), `The report: ${path}`];
      return { json: { session, report: path }, text: lines.join('\n') };
    }),
  );
}
