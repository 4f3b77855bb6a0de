import type { Command } from 'commander';
import { toSequence, toSession } from '../library/index.js';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { nightText } from './_night-text.js';
import { number, position, zone } from './_values.js';

interface AmendOptions extends SharedOptions {
  readonly site?: string;
  readonly at?: { latitude: number; longitude: number };
  readonly zone?: string;
  readonly clockOffset?: number;
  readonly firstFrameAt?: string;
  readonly body?: string;
  readonly plan?: string;
  readonly notes?: string;
  readonly tag?: string[];
}

/** `amend SESSION`. */
export function registerAmend(program: Command): void {
  withShared(
    program
      .command('amend')
      .description('correct or add site, zone, clock, plan, notes and tags of a night')
      .argument('<session>', 'the session')
      .option('--site <name>', 'named site')
      .option('--at <lat,lon>', 'position in signed decimals', position)
      .option('--zone <iana>', "zone that the camera's clock shows", zone)
      .option('--clock-offset <seconds>', "seconds to add to the camera's clock", number)
      .option('--first-frame-at <time>', 'when the first frame was really taken, as in 2026-08-13T22:05')
      .option('--body <serial>', 'the one camera whose clock is meant')
      .option('--plan <id>', 'plan that this night answers')
      .option('--notes <text>', 'replaces the notes')
      .option('--tag <tag...>', 'replaces the tags'),
  ).action((id: string, options: AmendOptions) =>
    runCommand(options, async (context) => {
      const { amend, show } = await import('../workflow/index.js');
      const changed = await amend(context, id, {
        site: options.site,
        at: options.at,
        zone: options.zone,
        clockOffset: options.clockOffset,
        firstFrameAt: options.firstFrameAt,
        body: options.body,
        planId: options.plan,
        notes: options.notes,
        tags: options.tag,
      });
      const found = show(context, changed.session.id);
      const hint = changed.skyChanged
        ? `\n\nTimes or place changed; times, nights, runs and the moon are worked out again. What was measured and written before follows with: nightcairn measure ${changed.session.id}, then nightcairn report ${changed.session.id}.`
        : '';
      return {
        json: {
          session: toSession(changed.session),
          sequences: changed.sequences.map(toSequence),
          notes: changed.notes,
          tags: changed.tags,
          alsoChanged: changed.alsoChanged,
          skyChanged: changed.skyChanged,
        },
        text: found.kind === 'session' ? `${nightText(found.view)}${hint}` : hint,
      };
    }),
  );
}
