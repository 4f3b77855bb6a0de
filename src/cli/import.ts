import { basename } from 'node:path';
import type { Command } from 'commander';
import { many } from '../core/index.js';
import { toSequence, toSession } from '../library/index.js';
import type { ImportResult } from '../workflow/index.js';
import { runCommand, withShared } from './_command.js';
import { EXIT } from './_exit.js';
import { type IntakeOptions, intakeOf, withIntake } from './_intake-options.js';

/** What an import says in words: what was copied, what failed, what was left, and whether the card is free. */
export function importText(result: ImportResult): string {
  const { found, copied, alreadyInLibrary, failed, leftOnCard, attachments } = result.import;
  const lines = [
    `${many(found, 'frame file')} found: ${copied} copied and verified, ${alreadyInLibrary} already in the library.`,
  ];
  if (attachments > 0)
    lines.push(
      `${many(attachments, 'other file')} of the night (tracks, sound, side-cars) copied beside them.`,
    );
  for (const { file, message } of failed) {
    // Most sentences name the file already.
    const name = basename(file);
    lines.push(message.includes(name) ? message : `${name}: ${message}`);
  }
  if (leftOnCard.length > 0) {
    const shown = leftOnCard.slice(0, 5).join(', ');
    lines.push(
      `Left on the card: ${shown}${leftOnCard.length > 5 ? ` and ${leftOnCard.length - 5} more` : ''}.`,
    );
  }
  lines.push(...result.notes, result.summary);
  for (const session of result.sessions) {
    lines.push(
      `Session ${session.id}: ${many(session.frameCount, 'frame')}, ${session.lightCount} of them ${session.lightCount === 1 ? 'a light' : 'lights'}.`,
    );
  }
  return lines.join('\n');
}

/** The `import` part of the JSON contract with its sessions. */
export function importJson(result: ImportResult) {
  return {
    sessions: result.sessions.map(toSession),
    ...(result.session ? { session: toSession(result.session) } : {}),
    import: result.import,
    sequences: result.sequences.map(toSequence),
    notes: result.notes,
  };
}

/** `import CARD`. */
export function registerImport(program: Command): void {
  withShared(
    withIntake(
      program
        .command('import')
        .description('copy a card into the library, verified, and sort its frames')
        .argument('<card>', 'the card, or any folder with frames'),
    ),
  ).action((card: string, options: IntakeOptions) =>
    runCommand(options, async (context) => {
      const { importCard } = await import('../workflow/index.js');
      const result = await importCard(context, intakeOf(card, options));
      return {
        json: importJson(result),
        text: importText(result),
        ...(result.import.failed.length > 0 ? { exit: EXIT.part } : {}),
      };
    }),
  );
}
