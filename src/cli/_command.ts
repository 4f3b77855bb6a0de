import { setMaxListeners } from 'node:events';
import { readFileSync } from 'node:fs';
import { homedir } from 'node:os';
import { join, resolve } from 'node:path';
import { type Command, Option } from 'commander';
import { Cancelled, NightcairnError, toPlainError } from '../core/index.js';
import type { WorkflowContext } from '../workflow/index.js';
import { EXIT, exitCodeOf } from './_exit.js';
import { makeProgress } from './_progress.js';

/** What a command hands back: its JSON document, its text, and an exit code other than 0 where work failed in part. */
export interface Outcome {
  readonly json: unknown;
  readonly text: string;
  readonly exit?: number;
}

export interface SharedOptions {
  readonly library?: string;
  readonly json?: boolean;
  readonly quiet?: boolean;
}

/** The user's pictures folder. @source XDG user directories on Linux; `Pictures` elsewhere. */
function picturesFolder(): string {
  if (process.platform === 'linux') {
    try {
      const text = readFileSync(
        join(process.env.XDG_CONFIG_HOME ?? join(homedir(), '.config'), 'user-dirs.dirs'),
        'utf8',
      );
      const match = /^XDG_PICTURES_DIR="([^"]+)"/m.exec(text);
      if (match) return match[1]!.replace('$HOME', homedir());
    } catch {
      // No such file: the plain name below is right.
    }
  }
  return join(homedir(), 'Pictures');
}

/** Where the library is: the flag, else the environment, else a folder among the user's pictures. */
export function libraryFolder(flag: string | undefined): string {
  const chosen = flag ?? process.env.NIGHTCAIRN_LIBRARY;
  return resolve(chosen !== undefined && chosen !== '' ? chosen : join(picturesFolder(), 'nightcairn'));
}

/** Adds the options that every command takes. */
export function withShared(command: Command): Command {
  return command
    .addOption(
      new Option('--library <dir>', 'the library folder').env('NIGHTCAIRN_LIBRARY').helpGroup('Everywhere:'),
    )
    .addOption(new Option('--json', 'one JSON document on standard output').helpGroup('Everywhere:'))
    .addOption(new Option('--quiet', 'no progress').helpGroup('Everywhere:'));
}

/**
 * Runs one command: progress on stderr, the result on stdout, an error as one sentence, Ctrl-C as a clean stop.
 * Sets `process.exitCode`.
 */
export async function runCommand(
  shared: SharedOptions,
  work: (context: WorkflowContext) => Promise<Outcome> | Outcome,
): Promise<void> {
  const controller = new AbortController();
  // Every task under way listens for the stop.
  setMaxListeners(0, controller.signal);
  const view = makeProgress({ quiet: shared.quiet === true, stream: process.stderr });
  let pressed = 0;
  const stop = () => {
    pressed++;
    if (pressed > 1) process.exit(EXIT.part);
    view.clear();
    process.stderr.write('Stopping cleanly; press Ctrl-C again to stop at once.\n');
    controller.abort();
  };
  process.on('SIGINT', stop);
  process.on('SIGTERM', stop);
  try {
    const outcome = await work({
      libraryDir: libraryFolder(shared.library),
      progress: view.progress,
      signal: controller.signal,
      clock: () => new Date(),
    });
    view.clear();
    await print(shared.json ? `${JSON.stringify(outcome.json, null, 2)}\n` : `${outcome.text.trimEnd()}\n`);
    process.exitCode = outcome.exit ?? EXIT.done;
  } catch (error) {
    view.clear();
    await reportError(error, shared);
  } finally {
    process.off('SIGINT', stop);
    process.off('SIGTERM', stop);
  }
}

/** Writes and waits, so that a pipe gets everything before the process ends. */
function print(text: string): Promise<void> {
  return new Promise((done) => process.stdout.write(text, () => done()));
}

/** Says an error as one sentence (as JSON too when asked) and sets the exit code. */
export async function reportError(error: unknown, shared: SharedOptions): Promise<void> {
  process.exitCode = exitCodeOf(error);
  const plain = toPlainError(error);
  if (shared.json) {
    await print(`${JSON.stringify({ error: { code: plain.code, message: plain.message } }, null, 2)}\n`);
  }
  if (error instanceof Cancelled || error instanceof NightcairnError) {
    process.stderr.write(`${plain.message}\n`);
    return;
  }
  process.stderr.write(
    `A fault of ours, not of your files: ${plain.message}\nNothing on the card was touched. Please report this with the lines below.\n${plain.stack ?? ''}\n`,
  );
}
