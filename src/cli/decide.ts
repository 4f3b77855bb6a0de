import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';

const WORDS = {
  keep: ['keep', 'keep frames whatever was measured', 'kept'],
  drop: ['drop', 'leave frames out whatever was measured', 'dropped'],
  undecide: ['undecide', 'take your own verdict back', 'judged by measurement again'],
} as const;

/** `keep`, `drop`, `undecide`. */
export function registerDecide(program: Command): void {
  for (const verb of ['keep', 'drop', 'undecide'] as const) {
    const [name, description, past] = WORDS[verb];
    withShared(
      program.command(name).description(description).argument('<frame...>', 'frames, by id or file name'),
    ).action((frames: string[], options: SharedOptions) =>
      runCommand(options, async (context) => {
        const workflow = await import('../workflow/index.js');
        const decided = workflow[verb](context, frames);
        const count = decided.frameIds.length;
        return {
          json: decided,
          text: [
            `${count} ${count === 1 ? 'frame is' : 'frames are'} ${past}.`,
            ...decided.staleStacks.map(
              (id) => `The stack of ${id} was made before this; nightcairn stack ${id} makes it again.`,
            ),
          ].join('\n'),
        };
      }),
    );
  }
}
