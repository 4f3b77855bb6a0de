import { parseArgs } from 'node:util';
import { makeCard } from './make-card.js';
import { SCENARIOS } from './scenarios.js';

const { values, positionals } = parseArgs({
  allowPositionals: true,
  options: { seed: { type: 'string' }, scenario: { type: 'string', default: 'sample' } },
});
const [dir] = positionals;
const make = SCENARIOS[values.scenario];
const seed = values.seed === undefined ? undefined : Number(values.seed);
if (dir === undefined || make === undefined || (seed !== undefined && !Number.isInteger(seed))) {
  process.stderr.write(
    `Expected a folder, a whole-number seed and one of these scenarios: ${Object.keys(SCENARIOS).join(', ')}.\n` +
      'Usage: node dist/sample-night/make.js DIR [--seed N] [--scenario NAME]\n',
  );
  process.exitCode = 2;
} else {
  const made = await makeCard(dir, {
    scenario: make(seed),
    progress: ({ done, total }) => {
      if (process.stderr.isTTY) process.stderr.write(`\r${done} of ${total} frames`);
    },
  });
  if (process.stderr.isTTY) process.stderr.write('\n');
  process.stdout.write(
    `card   ${made.card}\ntruth  ${made.truth}\n${made.plan ? `plan   ${made.plan}\n` : ''}`,
  );
}
