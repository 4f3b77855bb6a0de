import { type Command, Option } from 'commander';
import { InputError } from '../core/index.js';
import type { MeasureConfig } from '../workflow/index.js';
import { positive } from './_values.js';

/** Options of every command that judges frames. */
export interface JudgingOptions {
  readonly maxTrail?: number;
  readonly zoneOfInterest?: 'target';
  readonly target?: string;
}

/** Adds the options that say how frames are judged. */
export function withJudging(command: Command): Command {
  return command
    .option('--max-trail <px>', 'drop frames whose stars trail more than this', positive)
    .addOption(
      new Option(
        '--zone-of-interest <part>',
        "let only the target's part of the sky decide: cloud elsewhere costs no frame",
      ).choices(['target']),
    )
    .option('--target <what>', "with it: core, arch, a bright object or RA,DEC (default: the plan's target)");
}

/**
 * The measuring stage's settings from the command's options.
 * @throws {InputError} a target without the option it belongs to
 */
export function judgingOf({ maxTrail, zoneOfInterest, target }: JudgingOptions): Partial<MeasureConfig> {
  if (target !== undefined && zoneOfInterest === undefined) {
    throw new InputError(
      'USAGE',
      'Expected --zone-of-interest target beside --target, which says what that part of the sky lies about.',
    );
  }
  return {
    ...(maxTrail === undefined ? {} : { limits: { maxTrail } }),
    ...(zoneOfInterest === undefined ? {} : { zoneOfInterest }),
    ...(target === undefined ? {} : { target }),
  };
}
