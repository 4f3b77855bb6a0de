import { spawnSync } from 'node:child_process';
import { mkdirSync, readFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { makeCard } from './make-card.js';

/** The demo: makes the sample night's card in a scratch folder, writes its plan, and runs the whole job on it. */
const PROGRAM = fileURLToPath(new URL('../../bin/nightcairn.js', import.meta.url));

function nightcairn(args: readonly string[]): {
  readonly status: number;
  readonly json: Record<string, unknown>;
} {
  process.stdout.write(
    `\n$ nightcairn ${args.map((arg) => (/\s/.test(arg) ? `"${arg}"` : arg)).join(' ')}\n`,
  );
  const run = spawnSync(process.execPath, [PROGRAM, ...args, '--json'], {
    stdio: ['ignore', 'pipe', 'inherit'],
    maxBuffer: 1 << 28,
  });
  const text = run.stdout.toString('utf8');
  return { status: run.status ?? 70, json: text === '' ? {} : (JSON.parse(text) as Record<string, unknown>) };
}

const scratch = resolve(process.argv[2] ?? join(tmpdir(), 'nightcairn-demo'));
const library = join(scratch, 'library');
mkdirSync(scratch, { recursive: true });
process.stdout.write(`Making the sample night's card in ${scratch}\n`);
const card = await makeCard(scratch, {
  progress: ({ done, total }) => {
    if (done % 12 === 0 || done === total) process.stderr.write(`drawing frames: ${done} of ${total}\n`);
  },
});

const plan = card.plan
  ? (JSON.parse(readFileSync(card.plan, 'utf8')) as { arguments: string[] }).arguments
  : [];
const planned = nightcairn(['plan', 'new', ...plan, '--library', library]);
const planId = (planned.json.plan as { id?: string } | undefined)?.id;
const night = nightcairn([
  'night',
  card.card,
  ...(planId === undefined ? [] : ['--plan', planId]),
  '--library',
  library,
]);

interface Stack {
  readonly framesUsed: number;
  readonly noise?: { readonly gain: number; readonly ideal: number };
  readonly files: { readonly pictureJpeg?: string; readonly linearTiff?: string };
}
const stack = (night.json.stacks as Stack[] | undefined)?.[0];
const report = night.json.report as string | undefined;
if ((night.status !== 0 && night.status !== 3) || !stack || report === undefined) {
  process.stderr.write(`The demo did not come to a picture (exit code ${night.status}).\n`);
  process.exitCode = night.status || 70;
} else {
  process.stdout.write(
    [
      '',
      `${stack.framesUsed} frames were stacked${stack.noise ? `; noise fell ${stack.noise.gain.toFixed(2)} times (ideal ${stack.noise.ideal.toFixed(2)})` : ''}.`,
      `picture  ${stack.files.pictureJpeg}`,
      `linear   ${stack.files.linearTiff}`,
      `report   ${report}`,
      '',
      `Two files of this card are damaged on purpose; that is why "night" ends with code 3, "done in part".`,
      `Look around with: nightcairn show --library "${library}"`,
      '',
    ].join('\n'),
  );
}
