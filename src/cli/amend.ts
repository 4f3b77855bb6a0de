import { type Command, Option } from 'commander';
import { InputError, ROLES, type Role } from '../core/index.js';
import { toSequence, toSession } from '../library/index.js';
import type { WorkflowContext } from '../workflow/index.js';
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
      const { amend, chooseRole, show } = await import('../workflow/index.js');
      if ((options.role === undefined) !== (options.frames === undefined)) {
        throw new InputError(
          'USAGE',
          'Expected --role and --frames together, as in --role dark --frames TWK_0031.DNG TWK_0032.DNG, but received only one of them.',
        );
      }
      if (options.role !== undefined) {
        const view = show(context, id);
        const sessionId = view.kind === 'session' ? view.view.session.id : id;
        const role = options.role === 'measured' ? undefined : options.role;
        await chooseRole(context, withinSession(options.frames ?? [], sessionId), role);
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
      const found = show(context, changed.session.id);
      const hint = changed.skyChanged
        ? `\n\nTimes or place changed; times, nights, runs and the moon are worked out again. What was measured and written before follows with: nightcairn measure ${changed.session.id}, then nightcairn report ${changed.session.id}.`
        : '';
      return {
        json: {
          session: toSession(changed.session),
          sequences: changed.sequences.map(toSequence),
          notes: changed.notes,
          tags: changed.tags,
          alsoChanged: changed.alsoChanged,
          skyChanged: changed.skyChanged,
        },
        text: found.kind === 'session' ? `${nightText(found.view)}${hint}` : hint,
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
