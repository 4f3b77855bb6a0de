import type { Command } from 'commander';
import { many } from '../core/index.js';
import type { NightResult } from '../workflow/index.js';
import { runCommand, withShared } from './_command.js';
import { EXIT } from './_exit.js';
import { type IntakeOptions, intakeOf, withIntake } from './_intake-options.js';
import { type JudgingOptions, judgingOf, withJudging } from './_judging-options.js';
import { importText } from './import.js';
import { type StackOptions, stackConfigOf, stackText, withStacking } from './stack.js';

export type NightCommandOptions = IntakeOptions & StackOptions & JudgingOptions;

/** Adds all options of a night. */
export function withNight(command: Command): Command {
  return withJudging(withStacking(withIntake(command)));
}

/** The workflow's options from the command's. */
export function nightOptionsOf(card: string, options: NightCommandOptions) {
  return {
    ...intakeOf(card, options),
    stack: stackConfigOf(options),
    measure: judgingOf(options),
  };
}

/** The JSON document of a night. */
export function nightJson(result: NightResult) {
  return {
    sessions: result.sessions,
    ...(result.session ? { session: result.session } : {}),
    import: result.imported.import,
    sequences: result.sequences,
    stacks: result.stacks.filter(({ stack }) => stack).map(({ stack }) => stack),
    notStacked: result.stacks
      .filter(({ stack }) => !stack)
      .map(({ sequenceId, reason }) => ({ sequenceId, reason })),
    ...(result.report ? { report: result.report } : {}),
    notes: result.imported.notes,
  };
}

/** What a night came to, in words. */
export function nightResultText(result: NightResult): string {
  const lights = result.sequences.filter(({ role }) => role === 'light');
  const lines = [importText(result.imported), ''];
  for (const s of lights) {
    lines.push(
      `${s.id}: ${many(s.frameCount, 'light')}, ${s.kept} kept, ${s.doubtful} doubtful, ${s.dropped} dropped.`,
    );
  }
  for (const run of result.runs) {
    for (const remark of run.judgement?.remarks ?? []) lines.push(remark);
    if (run.outcome !== 'done') lines.push(`${run.sequenceId} could not be used: ${run.reason}`);
  }
  lines.push(stackText(result.stacks));
  if (result.report) lines.push('', `report  ${result.report}`);
  return lines.join('\n');
}

/** `night CARD`. */
export function registerNight(program: Command): void {
  withShared(
    withNight(
      program
        .command('night')
        .description('the whole job: import a card, measure, stack, report')
        .argument('<card>', 'the card, or any folder with frames'),
    ),
  ).action((card: string, options: NightCommandOptions) =>
    runCommand(options, async (context) => {
      const { night } = await import('../workflow/index.js');
      const result = await night(context, nightOptionsOf(card, options));
      return {
        json: nightJson(result),
        text: nightResultText(result),
        ...(result.inPart ? { exit: EXIT.part } : {}),
      };
    }),
  );
}
