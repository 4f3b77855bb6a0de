import { type Command, Option } from 'commander';
import { many } from '../core/index.js';
import { toSession } from '../library/index.js';
import type { TrailConfig, TrailOutcome } from '../workflow/index.js';
import { runCommand, type SharedOptions, withShared } from './_command.js';
import { EXIT } from './_exit.js';
import { duration } from './_table.js';
import { positive } from './_values.js';

interface TrailOptions extends SharedOptions {
  readonly bridge?: boolean;
  readonly taper?: TrailConfig['taper'];
  readonly keptOnly?: boolean;
  readonly withoutLines?: boolean;
  readonly darks: boolean;
  readonly land?: TrailConfig['land'];
  readonly mask?: string;
  readonly look?: string;
  readonly force?: boolean;
  readonly memory?: number;
}

function configOf(options: TrailOptions): Partial<TrailConfig> {
  return {
    darks: options.darks,
    ...(options.bridge === undefined ? {} : { bridge: options.bridge }),
    ...(options.taper === undefined ? {} : { taper: options.taper }),
    ...(options.keptOnly === undefined ? {} : { keptOnly: options.keptOnly }),
    ...(options.withoutLines === undefined ? {} : { withoutLines: options.withoutLines }),
    ...(options.land === undefined ? {} : { land: options.land }),
    ...(options.mask === undefined ? {} : { mask: options.mask }),
    ...(options.look === undefined ? {} : { look: options.look }),
    ...(options.force === undefined ? {} : { force: options.force }),
    ...(options.memory === undefined ? {} : { memoryBytes: options.memory * 1e6 }),
  };
}

const px = (value: number): string => `${value.toFixed(1)} px`;

function gapText({ gaps, bridged }: TrailOutcome): string[] {
  if (!gaps) return [];
  const done = bridged ? 'closed' : 'left open; --bridge closes them';
  return [
    `  Dashes between frames: ${gaps.seconds.toFixed(1)} s, ${px(gaps.center)} in the middle and ${px(gaps.edge)} where the sky moves fastest, ${done}.`,
    ...gaps.breaks.map(
      (gap) =>
        `  A break of ${duration(gap.seconds)} after ${gap.after}: ${px(gap.center)} in the middle, up to ${px(gap.edge)}, ${gap.bridged ? 'closed' : 'left open'}.`,
    ),
  ];
}

function trailText(outcomes: readonly TrailOutcome[]): string {
  return outcomes
    .flatMap((outcome) => {
      const { sequenceId, files, framesUsed, cloudedFrames, totalExposure, notes, reason } = outcome;
      if (!files) return [`${sequenceId}: no trails. ${reason ?? ''}`.trim()];
      const clouded = cloudedFrames > 0 ? `, ${cloudedFrames} of them under cloud` : '';
      return [
        `${sequenceId}: trails of ${many(framesUsed, 'frame')}${clouded}, ${duration(totalExposure)} of exposure.`,
        ...gapText(outcome),
        ...notes.map((note) => `  ${note}`),
        `  picture  ${files.pictureJpeg}`,
        `  linear   ${files.linearTiff}`,
        `           ${files.fits}`,
      ];
    })
    .join('\n');
}

/** `trails [SESSION or SEQUENCE]`. */
export function registerTrails(program: Command): void {
  withShared(
    program
      .command('trails')
      .description('star trails: the brightest light of each pixel over a run, in front of clean land')
      .argument('[session]', 'session or sequence', 'latest')
      .option('--bridge', "close the dashes between frames along the sky's own way")
      .addOption(new Option('--taper <ends>', 'let trails fade').choices(['start', 'end', 'both']))
      .option('--kept-only', 'leave out frames that were dropped for cloud, too')
      .option('--without-lines', 'leave out aircraft, satellites and meteors')
      .option('--no-darks', 'subtract no darks')
      .addOption(
        new Option('--land <what>', 'hold the land from its own stack, or none of it').choices([
          'hold',
          'none',
        ]),
      )
      .option('--mask <picture>', 'your own land mask, white = land')
      .option('--look <name>', 'how the picture is finished')
      .option('--force', 'use darks and flats that do not match')
      .option('--memory <mb>', 'memory for the work, MB', positive),
  ).action((target: string, options: TrailOptions) =>
    runCommand(options, async (context) => {
      const { trails } = await import('../workflow/index.js');
      const { session, trails: outcomes } = await trails(context, target, configOf(options));
      const made = outcomes.filter(({ files }) => files !== undefined);
      return {
        json: { session: toSession(session), trails: outcomes },
        text: trailText(outcomes),
        ...(made.length === outcomes.length ? {} : { exit: made.length === 0 ? EXIT.nothing : EXIT.part }),
      };
    }),
  );
}
