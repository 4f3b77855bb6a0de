import type { Command } from 'commander';
import { runCommand, withShared } from './_command.js';
import { type NightCommandOptions, nightOptionsOf, nightResultText, withNight } from './night.js';

interface WatchCommandOptions extends NightCommandOptions {
  readonly once?: boolean;
}

/** `watch [FOLDER...]`. */
export function registerWatch(program: Command): void {
  withShared(
    withNight(
      program
        .command('watch')
        .description('wait for cards and do the whole job on each')
        .argument('[folder...]', "folders where cards appear; by default the system's own"),
    ).option('--once', 'end after the first card'),
  ).action((folders: string[], options: WatchCommandOptions) =>
    runCommand(options, async (context) => {
      const { mountFolders, night, watch } = await import('../workflow/index.js');
      if (!options.quiet) {
        const where = folders.length > 0 ? folders : mountFolders();
        process.stderr.write(`Waiting for a card in ${where.join(', ')}. Press Ctrl-C to end.\n`);
      }
      const result = await watch(context, { folders, once: options.once }, async (card) => {
        const done = await night(context, nightOptionsOf(card, options));
        // Said at once: the next card may be hours away.
        process.stderr.write(`${nightResultText(done)}\n`);
        return done;
      });
      const cards = result.runs.map(({ card, error }) =>
        error ? `${card}: ${error.message}` : `${card}: done.`,
      );
      return { json: result, text: cards.length > 0 ? cards.join('\n') : 'No card came.' };
    }),
  );
}
