import { type Command, Option } from 'commander';
import { InputError, ROLES, type Role } from '../core/index.js';
import { toSequence, toSession } from '../library/index.js';
import type { AmendResult, Followed, WorkflowContext } from '../workflow/index.js';
import { type Outcome, runCommand, type SharedOptions, withShared } from './_command.js';
import { nightText } from './_night-text.js';
import { number, position, zone } from './_values.js';

interface AmendOptions extends SharedOptions {
  readonly site?: string;
  readonly at?: { latitude: number; longitude: number };
  readonly zone?: string;
  readonly clockOffset?: number;
  readonly firstFrameAt?: string;
  readonly body?: string;
  readonly plan?: string;
  readonly notes?: string;
  readonly tag?: string[];
  readonly role?: Role | 'measured';
  readonly frames?: string[];
  readonly stack?: boolean;
  readonly later?: boolean;
}

/** Names of frames and runs as this session's own: `/4` is its fourth run, a file name is looked for in it. */
const withinSession = (names: readonly string[], sessionId: string): string[] =>
  names.map((name) =>
    /^\/\d+$/.test(name)
      ? `${sessionId}${name}`
      : /^[0-9a-f]{6,}$/.test(name) || /[@/]/.test(name)
        ? name
        : `${name}@${sessionId}`,
  );

/** What was worked out again, and what was not, as sentences. */
function followedText({ skyChanged, alsoChanged }: AmendResult, followed: Followed): string[] {
  const { runs, left, reports } = followed;
  const lines: string[] = [];
  if (skyChanged)
    lines.push('Times or place changed: times, nights, runs and the moon are worked out again.');
  if (alsoChanged.length > 0) lines.push(`Frames went to or came from ${alsoChanged.join(' and ')}.`);
  if (runs.length > 0)
    lines.push(`Measured and judged again: ${runs.map(({ sequenceId }) => sequenceId).join(', ')}.`);
  for (const { sequenceId, outcome, reason } of runs)
    if (outcome !== 'done') lines.push(`${sequenceId} could not be measured: ${reason}`);
  if (left.length > 0)
    lines.push(
      `Verdicts are still those from before for ${left.join(', ')}; nightcairn measure ${left[0]} judges again.`,
    );
  for (const path of reports) lines.push(`The report is written again: ${path}`);
  return lines.length > 0 ? ['', ...lines] : [];
}

/** `amend SESSION`. */
export function registerAmend(program: Command): void {
  withShared(
    program
      .command('amend')
      .description('correct or add site, zone, clock, plan, roles, notes and tags of a night')
      .argument('<session>', 'the session; a run such as SESSION/3 for its notes and tags')
      .option('--site <name>', 'named site')
      .option('--at <lat,lon>', 'position in signed decimals', position)
      .option('--zone <iana>', "zone that the camera's clock shows", zone)
      .option('--clock-offset <seconds>', "seconds to add to the camera's clock", number)
      .option('--first-frame-at <time>', 'when the first frame was really taken, as in 2026-08-13T22:05')
      .option('--body <serial>', 'the one camera whose clock is meant')
      .option('--plan <id>', 'plan that this night answers')
      .option('--notes <text>', 'replaces the notes')
      .option('--tag <tag...>', 'replaces the tags')
      .option('--later', 'do not measure again now what rests on the correction')
      .option('--stack', 'with a run: notes and tags of its newest stack')
      .addOption(
        new Option(
          '--role <role>',
          'what the frames after --frames are for; measured takes your word back',
        ).choices([...ROLES, 'measured']),
      )
      .option('--frames <frame...>', 'frames by file name, or whole runs such as /4, for --role'),
  ).action((id: string, options: AmendOptions) =>
    runCommand(options, async (context) => {
      if (/\/\d+$/.test(id)) return amendRun(context, id, options);
      if (options.stack === true) {
        throw new InputError('USAGE', `Expected a run such as ${id}/3 with --stack but received ${id}.`);
      }
      const { amend, chooseRole, followUp, show } = await import('../workflow/index.js');
      if ((options.role === undefined) !== (options.frames === undefined)) {
        throw new InputError(
          'USAGE',
          'Expected --role and --frames together, as in --role dark --frames TWK_0031.DNG TWK_0032.DNG, but received only one of them.',
        );
      }
      const touched = new Set<string>();
      if (options.role !== undefined) {
        const view = show(context, id);
        const sessionId = view.kind === 'session' ? view.view.session.id : id;
        const role = options.role === 'measured' ? undefined : options.role;
        for (const { session } of await chooseRole(
          context,
          withinSession(options.frames ?? [], sessionId),
          role,
        ))
          touched.add(session.id);
      }
      const changed = await amend(context, id, {
        site: options.site,
        at: options.at,
        zone: options.zone,
        clockOffset: options.clockOffset,
        firstFrameAt: options.firstFrameAt,
        body: options.body,
        planId: options.plan,
        notes: options.notes,
        tags: options.tag,
      });
      for (const each of [changed.session.id, ...changed.alsoChanged]) touched.add(each);
      const followed = await followUp(context, [...touched], {
        skyChanged: changed.skyChanged,
        measure: options.later !== true,
      });
      const found = show(context, changed.session.id);
      return {
        json: {
          session: toSession(changed.session),
          sequences: (found.kind === 'session'
            ? found.view.sequences.map(({ frames: _, masters: __, ...sequence }) => sequence)
            : changed.sequences.map(toSequence)) as readonly unknown[],
          notes: changed.notes,
          tags: changed.tags,
          alsoChanged: changed.alsoChanged,
          skyChanged: changed.skyChanged,
          measuredAgain: followed.runs.map(({ sequenceId }) => sequenceId),
          leftForLater: followed.left,
          reports: followed.reports,
          staleStacks: followed.staleStacks,
        },
        text: [
          ...(found.kind === 'session' ? [nightText(found.view)] : []),
          ...followedText(changed, followed),
        ].join('\n'),
      };
    }),
  );
}

/** Of a single run only what a person says of it can be amended; the rest is the night's. */
async function amendRun(context: WorkflowContext, id: string, options: AmendOptions): Promise<Outcome> {
  const { notes, tag: tags, stack } = options;
  const other = (['site', 'at', 'zone', 'clockOffset', 'firstFrameAt', 'body', 'plan', 'role'] as const).find(
    (name) => options[name] !== undefined,
  );
  if (other !== undefined || (notes === undefined && tags === undefined)) {
    throw new InputError(
      'USAGE',
      `Expected --notes or --tag for the run ${id} but received ${other === undefined ? 'neither' : `--${other.replace(/[A-Z]/g, (c) => `-${c.toLowerCase()}`)}, which is the whole night's`}; as in amend ${id} --tag best-core.`,
    );
  }
  const { describeRun } = await import('../workflow/index.js');
  const said = describeRun(context, id, { notes, tags, stack });
  const lines = [
    said.kind === 'stack' ? `The newest stack of ${id}:` : `${id}:`,
    ...(said.notes === '' ? [] : [`  Notes: ${said.notes}`]),
    ...(said.tags.length === 0 ? [] : [`  Tags: ${said.tags.join(', ')}`]),
  ];
  return { json: said, text: lines.length === 1 ? `${lines[0]} no notes and no tags` : lines.join('\n') };
}
