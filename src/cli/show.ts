import type { Command } from 'commander';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { nightText, wallClock } from './_night-text.js';

/** `show ID`. */
export function registerShow(program: Command): void {
  withShared(
    program
      .command('show')
      .description('a night as a timeline, one of its sequences, or a frame')
      .argument('[id]', 'session, SESSION/2 for its second sequence, a night, or a frame', 'latest'),
  ).action((id: string, options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { show } = await import('../workflow/index.js');
      const found = show(context, id);
      if (found.kind === 'session') {
        const { session, plan, sequences, stacks, notes, tags, remarks } = found.view;
        return {
          json: { session, ...(plan ? { plan } : {}), sequences, stacks, notes, tags, remarks },
          text: nightText(found.view),
        };
      }
      const { frame, session } = found;
      const lines = Object.entries(frame)
        .filter(([name, value]) => typeof value !== 'object' && name !== 'remarks')
        .map(([name, value]) => `${name.padEnd(16)}  ${String(value)}`);
      lines.push(`taken at ${wallClock(frame.takenAt, session.site.zone)} (${session.site.zone ?? 'UTC'})`);
      for (const reason of frame.reasons) lines.push(reason.text);
      for (const remark of frame.remarks ?? []) lines.push(remark);
      return { json: { session, frame }, text: lines.join('\n') };
    }),
  );
}
