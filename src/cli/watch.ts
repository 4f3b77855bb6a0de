import type { Command } from 'commander';
import { Cancelled, toPlainError } from '../core/index.js';
import { runCommand, withShared } from './_command.js';
import { EXIT } from './_exit.js';
import { type NightCommandOptions, nightOptionsOf, nightResultText, withNight } from './night.js';

interface WatchCommandOptions extends NightCommandOptions {
  readonly once?: boolean;
}

/** Said at once, for the next card may be hours away. */
const say = (text: string): void => {
  process.stderr.write(`${text}\n`);
};

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
        say(`Waiting for a card in ${where.join(', ')}. Press Ctrl-C to end.`);
      }
      const result = await watch(context, { folders, once: options.once }, async (card) => {
        try {
          const done = await night(context, nightOptionsOf(card, options));
          say(nightResultText(done));
          const again = !done.imported.import.cardMayBeReused;
          if (again) say('Not all of the card came over. Put it in again and the rest is fetched.');
          return { again };
        } catch (error) {
          if (!(error instanceof Cancelled)) say(`${card}: ${toPlainError(error).message}`);
          throw error;
        }
      });
      const cards = result.runs.map(({ card, error, again }) => {
        if (error) return `${card}: ${error.message}`;
        return again ? `${card}: not all of it came over; put it in again.` : `${card}: done.`;
      });
      return {
        json: result,
        text: cards.length > 0 ? cards.join('\n') : 'No card came.',
        ...(result.runs.some(({ error, again }) => error || again) ? { exit: EXIT.part } : {}),
      };
    }),
  );
}
