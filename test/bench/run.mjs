// Runs every *.bench.mjs of this folder: node test/bench/run.mjs [--only NAME] [--sizes small|full] [--workers 1,2]
import { readdirSync } from 'node:fs';
import { cpus, totalmem } from 'node:os';
import { parseArgs } from 'node:util';

const { values } = parseArgs({
  options: {
    only: { type: 'string', default: '' },
    sizes: { type: 'string', default: 'small' },
    workers: { type: 'string', default: '1,2' },
  },
});

const [cpu] = cpus();
console.log(
  `node ${process.version} | V8 ${process.versions.v8} | ${cpu?.model.trim()} | ${cpus().length} cores | ${Math.round(totalmem() / 2 ** 30)} GiB`,
);

const options = {
  /** `small` shows breakage in seconds, `full` is for numbers. */
  full: values.sizes === 'full',
  workers: values.workers.split(',').map(Number),
};

const files = readdirSync(new URL('.', import.meta.url))
  .filter((name) => name.endsWith('.bench.mjs') && name.includes(values.only))
  .sort();
for (const name of files) {
  console.log(`\n${name}`);
  // A file either exports `bench` or measures while it is loaded.
  const { bench } = await import(new URL(name, import.meta.url).href);
  await bench?.(options);
}
