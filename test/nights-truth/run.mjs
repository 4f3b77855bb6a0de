// Runs the nights with known truth, minutes each: node test/nights-truth/run.mjs [part of a file's name].
// NIGHTCAIRN_NIGHTS=3 takes three nights only, NIGHTCAIRN_TOLD=PATH gets every number beside its truth.
import { fileURLToPath } from 'node:url';
import { startVitest } from 'vitest/node';

await startVitest('test', process.argv.slice(2), {
  config: false,
  root: fileURLToPath(new URL('../..', import.meta.url)),
  include: ['test/nights-truth/**/*.nights.ts'],
  maxWorkers: 1,
  testTimeout: 3_600_000,
  disableConsoleIntercept: true,
  watch: false,
});
