import { createInterface } from 'node:readline/promises';
import type { Command } from 'commander';
import { InputError, many } from '../core/index.js';
import { libraryFolder, runCommand, type SharedOptions, withShared } from './_command.js';
import { table } from './_table.js';

/** `library move`, `library merge`, `library remove`, `library restore`, `library trash`. */
export function registerLibrary(program: Command): void {
  const library = program.command('library').description('move, merge and tidy the library itself');
  registerMove(library);
  registerMerge(library);
  registerRemove(library);
  registerRestore(library);
  registerTrash(library);
}

function registerMove(library: Command): void {
  withShared(
    library
      .command('move')
      .description('move the whole library to another folder or disk')
      .argument('<folder>', 'the new place: a folder that is empty or not there yet'),
  ).action((folder: string, options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { moveLibrary } = await import('../workflow/index.js');
      const moved = await moveLibrary(context, folder);
      const kept =
        moved.how === 'copied'
          ? `\nEvery one of its ${many(moved.files, 'file')} was copied and read back. The old library is still at ${moved.from}; look at the new one before you take the old one away.`
          : '';
      return {
        json: moved,
        text: `The library is now at ${moved.to}; give it with --library, or set NIGHTCAIRN_LIBRARY to it.${kept}`,
      };
    }),
  );
}

const HOW = {
  brought: 'brought whole',
  joined: 'joined to the night that was here',
  here: 'was here already',
} as const;

function registerMerge(library: Command): void {
  withShared(
    library
      .command('merge')
      .description('bring all that another library holds into this one; the other is only read')
      .argument('<from>', 'folder of the other library')
      .argument('[into]', 'folder of the library to bring it to; default this one'),
  ).action((from: string, into: string | undefined, options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { mergeLibraries } = await import('../workflow/index.js');
      const target = into === undefined ? context : { ...context, libraryDir: libraryFolder(into) };
      const result = await mergeLibraries(target, from);
      const lines = [
        result.sessions.length === 0
          ? 'The other library holds no nights.'
          : table(
              ['night there', 'frames', 'what became of it', 'here'],
              result.sessions.map(({ from: id, frameCount, how, id: here }) => [
                id,
                frameCount,
                HOW[how],
                here,
              ]),
            ),
        ...(result.masters > 0 ? [`${many(result.masters, 'master')} came along.`] : []),
        ...result.notes,
        'The other library was only read and is as it was.',
      ];
      return { json: result, text: lines.join('\n') };
    }),
  );
}

/** Asks on a terminal; elsewhere only the flag will do. */
async function confirmed(question: string, yes: boolean | undefined): Promise<boolean> {
  if (yes === true) return true;
  if (!process.stdin.isTTY || !process.stderr.isTTY) {
    throw new InputError('USAGE', `Expected --yes, since nobody can be asked here: ${question}`);
  }
  const ask = createInterface({ input: process.stdin, output: process.stderr });
  try {
    return /^y(es)?$/i.test((await ask.question(`${question} [y/N] `)).trim());
  } finally {
    ask.close();
  }
}

function registerRemove(library: Command): void {
  withShared(
    library
      .command('remove')
      .description('move a night to the trash folder of the library; nothing is deleted')
      .argument('<session>', 'the session')
      .option('--yes', 'do not ask'),
  ).action((wanted: string, options: SharedOptions & { readonly yes?: boolean }) =>
    runCommand(options, async (context) => {
      const { removeSession, show } = await import('../workflow/index.js');
      const found = show(context, wanted);
      if (found.kind !== 'session') {
        throw new InputError(
          'UNKNOWN_ID',
          `Expected a session but ${wanted} is a frame; drop leaves a frame out.`,
        );
      }
      const { session } = found.view;
      const sure = await confirmed(
        `Move ${session.id} with all its frames, stacks and report to the trash folder of the library?`,
        options.yes,
      );
      if (!sure) return { json: { removed: false }, text: 'Nothing was changed.' };
      const gone = await removeSession(context, session.id);
      return {
        json: { removed: true, ...gone },
        text: `${gone.sessionId} is in the trash: ${gone.folder}\nnightcairn library restore ${gone.id} brings it back. To free the space, delete that folder yourself.`,
      };
    }),
  );
}

function registerRestore(library: Command): void {
  withShared(
    library
      .command('restore')
      .description('bring a night back from the trash')
      .argument('<session>', 'its name in library trash'),
  ).action((wanted: string, options: SharedOptions) =>
    runCommand(options, async (context) => {
      const { restoreSession } = await import('../workflow/index.js');
      const back = await restoreSession(context, wanted);
      return { json: back, text: `${back.sessionId} is back, with all that was known of it.` };
    }),
  );
}

function registerTrash(library: Command): void {
  withShared(library.command('trash').description('what lies in the trash folder')).action(
    (options: SharedOptions) =>
      runCommand(options, async (context) => {
        const { trashed } = await import('../workflow/index.js');
        const found = trashed(context);
        return {
          json: { count: found.length, sessions: found },
          text:
            found.length === 0
              ? 'The trash is empty.'
              : table(
                  ['session', 'night', 'site', 'frames', 'folder'],
                  found.map((each) => [each.id, each.night, each.site ?? '', each.frameCount, each.folder]),
                ),
        };
      }),
  );
}
