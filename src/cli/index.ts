import { Command, CommanderError } from 'commander';
import { InputError } from '../core/index.js';
import { reportError } from './_command.js';
import { EXIT } from './_exit.js';
import { registerAmend } from './amend.js';
import { registerCheck } from './check.js';
import { registerDecide } from './decide.js';
import { registerExport } from './export.js';
import { registerFinish } from './finish.js';
import { firstRun } from './first-run.js';
import { registerImport } from './import.js';
import { registerLibrary } from './library.js';
import { registerLook } from './look.js';
import { registerMeasure } from './measure.js';
import { registerNight } from './night.js';
import { registerPlan } from './plan.js';
import { registerReport } from './report.js';
import { registerSearch, registerStats } from './search.js';
import { registerShow } from './show.js';
import { registerSite } from './site.js';
import { registerStack } from './stack.js';
import { registerTrails } from './trails.js';
import { registerWatch } from './watch.js';

/** In the order of a night: before it, the whole of it, its steps, and years later. */
const COMMANDS = [
  registerPlan,
  registerSite,
  registerNight,
  registerWatch,
  registerImport,
  registerMeasure,
  registerStack,
  registerFinish,
  registerLook,
  registerTrails,
  registerExport,
  registerReport,
  registerShow,
  registerDecide,
  registerAmend,
  registerSearch,
  registerStats,
  registerLibrary,
  registerCheck,
];

/** The whole command line; commands load their work only when they run. */
export function makeProgram(): Command {
  const program = new Command('nightcairn')
    .description(
      'Takes a night of Milky Way frames from a plain tripod off the card, sorts and judges them, aligns and stacks the sky while the land stays sharp, and answers the plan.',
    )
    .option('--version', 'the version')
    .helpOption('--help', 'this help')
    .showSuggestionAfterError(true)
    .configureHelp({ showGlobalOptions: false })
    .helpCommand(false)
    .exitOverride()
    .configureOutput({ writeErr: () => {} });
  for (const register of COMMANDS) register(program);
  return inherit(program);
}

/** Sub-commands answer errors the same way as the program itself. */
function inherit(command: Command): Command {
  for (const child of command.commands) {
    child
      .helpCommand(false)
      .exitOverride()
      .configureOutput({ writeErr: () => {} })
      .helpOption('--help', 'this help');
    inherit(child);
  }
  return command;
}

/**
 * Runs the command line.
 * @param argv arguments without `node` and the script; sets `process.exitCode` (0, 1, 2, 3, 70)
 */
export async function main(argv: readonly string[]): Promise<void> {
  if (argv.length === 0) return firstRun();
  if (argv[0] === '--version') {
    const { toolVersion } = await import('../workflow/index.js');
    process.stdout.write(`${toolVersion()}\n`);
    return;
  }
  const program = makeProgram();
  // A pipe closed early (`| head`) is no fault of anyone.
  process.stdout.on('error', (error: NodeJS.ErrnoException) => {
    if (error.code === 'EPIPE') process.exit(process.exitCode ?? EXIT.done);
  });
  try {
    await program.parseAsync([...argv], { from: 'user' });
  } catch (error) {
    if (!(error instanceof CommanderError)) {
      await reportError(error, { json: argv.includes('--json') });
      return;
    }
    if (error.exitCode === 0) return;
    const sentence = error.message.replace(/^error: /, '');
    await reportError(
      new InputError('USAGE', `${sentence.charAt(0).toUpperCase()}${sentence.slice(1).replace(/\n/g, ' ')}`),
      { json: argv.includes('--json') },
    );
  }
}
