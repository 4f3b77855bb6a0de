import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';

interface CardOptions extends SharedOptions {
  readonly out?: string;
}

/** `plan card ID`; takes the `plan` command to hang on. */
export function registerFieldCard(plan: Command): void {
  withShared(
    plan
      .command('card')
      .description('write the field card of a plan: one page to print and take along')
      .argument('<id>', 'the plan')
      .option('--out <file>', 'another place for it'),
  ).action((id: string, options: CardOptions) =>
    runCommand(options, async (context) => {
      const { writeFieldCard } = await import('../workflow/index.js');
      const { plan: written, path } = await writeFieldCard(context, id, {
        ...(options.out === undefined ? {} : { out: options.out }),
      });
      return { json: { plan: written, card: path }, text: `The field card: ${path}` };
    }),
  );
}
