import { type Command, Option } from 'commander';
import { many } from '../core/index.js';
import { toSession } from '../library/index.js';
import type { StackConfig, StackOutcome } from '../workflow/index.js';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { EXIT } from './_exit.js';
import { duration } from './_table.js';
import { positive } from './_values.js';

/** Options that `stack` and `night` share. */
export interface StackOptions extends SharedOptions {
  readonly combine?: StackConfig['method'];
  readonly land?: StackConfig['land'];
  readonly landFrom?: string;
  readonly mask?: string;
  readonly look?: string;
  readonly memory?: number;
  readonly force?: boolean;
  readonly bringBack?: readonly string[];
  readonly banding?: 'rows' | 'columns';
}

/** Adds the options that say how to stack. */
export function withStacking(command: Command): Command {
  return command
    .addOption(
      new Option(
        '--combine <how>',
        'how samples are combined; by default what suits the number of frames',
      ).choices(['mean', 'median', 'clipped-mean']),
    )
    .addOption(
      new Option('--land <what>', 'hold the land sharp, none of it, or only the unmoved stack').choices([
        'hold',
        'none',
        'only',
      ]),
    )
    .option('--land-from <run>', 'the land of another run of the same framing, such as /4')
    .option('--mask <picture>', 'your own land mask, white = land')
    .option('--look <name-or-file>', 'how the picture is finished: one of our looks, or your own look file')
    .option('--memory <mb>', 'memory for the work, MB', positive)
    .option('--force', 'use darks and flats that do not match')
    .addOption(
      new Option(
        '--banding <lines>',
        'take stripes along rows or columns off, as old bodies leave them',
      ).choices(['rows', 'columns']),
    )
    .option(
      '--bring-back <lines>',
      'lines of light, a meteor say, to bring back into the picture, as in TWK_0012-1,TWK_0019-1',
      (text: string) => text.split(',').map((id) => id.trim()),
    );
}

/** The stage's settings from the command's options. */
export function stackConfigOf(options: StackOptions): Partial<StackConfig> {
  return {
    ...(options.combine === undefined ? {} : { method: options.combine }),
    ...(options.land === undefined ? {} : { land: options.land }),
    ...(options.landFrom === undefined ? {} : { landFrom: options.landFrom }),
    ...(options.mask === undefined ? {} : { mask: options.mask }),
    ...(options.look === undefined ? {} : { look: options.look }),
    ...(options.memory === undefined ? {} : { memoryBytes: options.memory * 1e6 }),
    ...(options.force === undefined ? {} : { force: options.force }),
    ...(options.bringBack === undefined ? {} : { bringBack: options.bringBack }),
    ...(options.banding === undefined ? {} : { banding: options.banding }),
  };
}

/** The lines of light that were clipped away or brought back. */
function linesText(stack: NonNullable<StackOutcome['stack']>): string[] {
  const lines = stack.transients ?? [];
  if (lines.length === 0) return [];
  const back = lines.filter(({ broughtBack }) => broughtBack).map(({ id }) => id);
  const away = lines.filter(({ broughtBack }) => !broughtBack).map(({ id }) => id);
  return [
    ...(away.length > 0
      ? [`  Lines of light left out, cut-outs saved: ${away.join(', ')} (--bring-back shows one).`]
      : []),
    ...(back.length > 0 ? [`  Brought back: ${back.join(', ')}.`] : []),
  ];
}

/** What each stack came to, in words. */
export function stackText(outcomes: readonly StackOutcome[]): string {
  return outcomes
    .map(({ sequenceId, stack, reason }) => {
      if (!stack) return `${sequenceId}: no stack. ${reason ?? ''}`.trim();
      const noise = stack.noise as { gain?: number; ideal?: number } | undefined;
      const files = stack.files;
      return [
        `${sequenceId}: ${many(stack.framesUsed ?? 0, 'frame')}, ${duration(stack.totalExposure ?? 0)} of exposure, ${stack.method}.`,
        (stack.framesUsed ?? 0) > 1 && noise?.gain !== undefined && noise.ideal !== undefined
          ? `  Noise is ${noise.gain.toFixed(2)} times lower than in one frame (ideal ${noise.ideal.toFixed(2)}).`
          : '',
        ...linesText(stack),
        `  picture  ${files.pictureJpeg}`,
        `  linear   ${files.linearTiff}`,
        `           ${files.fits}`,
      ]
        .filter((line) => line !== '')
        .join('\n');
    })
    .join('\n');
}

/** `stack [SESSION or SEQUENCE]`. */
export function registerStack(program: Command): void {
  withShared(
    withStacking(
      program
        .command('stack')
        .description('calibrate, align and combine the kept frames, and finish the picture')
        .argument('[session]', 'session or sequence', 'latest'),
    ),
  ).action((target: string, options: StackOptions) =>
    runCommand(options, async (context) => {
      const { stack } = await import('../workflow/index.js');
      const { session, stacks } = await stack(context, target, stackConfigOf(options));
      const made = stacks.filter((outcome) => outcome.stack);
      return {
        json: {
          session: toSession(session),
          stacks: made.map((outcome) => outcome.stack),
          notStacked: stacks
            .filter((outcome) => !outcome.stack)
            .map(({ sequenceId, reason }) => ({ sequenceId, reason })),
        },
        text: stackText(stacks),
        ...(made.length === stacks.length ? {} : { exit: made.length === 0 ? EXIT.nothing : EXIT.part }),
      };
    }),
  );
}
