import { defineConfig } from 'vitest/config';

/** Where CI wants a machine-readable result as well; absent on a person's own runs. */
const report = process.env.NIGHTCAIRN_TEST_REPORT;

export default defineConfig({
  test: {
    root: new URL('..', import.meta.url).pathname,
    include: ['test/**/*.test.ts'],
    setupFiles: ['test/support/property-seed.ts'],
    // Two files at a time: the tool's own worker pool wants cores too.
    maxWorkers: 2,
    testTimeout: 60_000,
    hookTimeout: 120_000,
    reporters: report ? ['default', ['json', { outputFile: report }]] : ['default'],
  },
});
