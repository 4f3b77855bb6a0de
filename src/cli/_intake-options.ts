import { type Command, InvalidArgumentError, Option } from 'commander';
import { ROLES, type Role } from '../core/index.js';
import type { ImportOptions } from '../workflow/index.js';
import type { SharedOptions } from './_command.js';
import { number, position, zone } from './_values.js';

/** Options that `import`, `night` and `watch` share. */
export interface IntakeOptions extends SharedOptions {
  readonly site?: string;
  readonly at?: { latitude: number; longitude: number };
  readonly zone?: string;
  readonly clockOffset?: number;
  readonly plan?: string;
  readonly second?: string;
  readonly role?: Role;
}

function offset(text: string): number {
  const value = number(text);
  if (Math.abs(value) > 40 * 365 * 86_400) {
    throw new InvalidArgumentError(`Expected a clock offset in seconds but received "${text}".`);
  }
  return value;
}

/** Adds the options that say where, when and where else to copy. */
export function withIntake(command: Command): Command {
  return command
    .option('--site <name>', 'named site of the night')
    .option('--at <lat,lon>', 'its position in signed decimals, as in --at -31.25,20.5', position)
    .option('--zone <iana>', "zone that the camera's clock shows", zone)
    .option('--clock-offset <seconds>', "seconds to add to the camera's clock", offset)
    .option('--plan <id>', 'plan that this night answers')
    .addOption(
      new Option('--role <role>', 'what all frames of the card are for, whatever is measured').choices(ROLES),
    )
    .option('--second <dir>', 'a second verified copy in another folder');
}

/** The stage's options from the command's. */
export function intakeOf(card: string, options: IntakeOptions): ImportOptions {
  const { site, at, zone: zoneName, clockOffset, plan, second, role } = options;
  return {
    card,
    ...(site === undefined ? {} : { site }),
    ...(at === undefined ? {} : { at }),
    ...(zoneName === undefined ? {} : { zone: zoneName }),
    ...(clockOffset === undefined ? {} : { clockOffset }),
    ...(plan === undefined ? {} : { planId: plan }),
    ...(second === undefined ? {} : { second }),
    ...(role === undefined ? {} : { role }),
  };
}
