// Imports a card of make-believe frames (test/library/_card.ts) in a process of its own, to be killed.
import { readFileSync } from 'node:fs';
import { nightOf } from '../../dist/src/sky/index.js';
import { importCard } from '../../dist/src/workflow/import.js';

const [library, card, second] = process.argv.slice(2);

const glimpse = {
  median: 0.01,
  mean: 0.01,
  high: 0.1,
  scatter: 0.001,
  clippedShare: 0,
  unevenness: 0.2,
  starCount: 30,
  thumbnail: { width: 4, height: 3, data: new Float32Array(12) },
  peaks: new Float32Array(4),
};

const tools = {
  isFrameName: (name) => name.endsWith('.DNG'),
  look: async (_context, files) =>
    files.map(({ path }) => {
      const bytes = readFileSync(path);
      const said = JSON.parse(bytes.toString('utf8', 4, bytes.indexOf(10)));
      return { header: { format: 'dng', formatName: 'DNG', warnings: [], ...said }, glimpse };
    }),
  pair: (files) => files.map((_, i) => [i]),
  group: (frames, { zone }) => {
    const ordered = [...frames].sort((a, b) => a.startMs - b.startMs);
    return {
      roles: ordered.map(({ id }) => ({ id, role: 'light', reason: 'said so' })),
      sessions: [
        {
          night: nightOf(new Date(ordered[0].startMs), zone),
          sequences: [
            {
              frameIds: ordered.map(({ id }) => id),
              role: 'light',
              bracketed: false,
              segmentStarts: [],
              holes: [],
              notes: [],
            },
          ],
        },
      ],
    };
  },
  instant: (header) => Date.parse(`${header.wallTime}Z`),
};

/** Whom it waits for is said beside the results. */
const progress = ({ task, note }) => {
  if (task.startsWith('waiting')) process.stderr.write(`${task}: ${note}\n`);
};

process.stdout.write('ready\n');
const result = await importCard(
  { libraryDir: library, progress, clock: () => new Date(Date.UTC(2026, 7, 14, 12)) },
  { card, site: 'Sandpiper Flat', at: { latitude: -31.25, longitude: 20.5 }, ...(second ? { second } : {}) },
  tools,
);
process.stdout.write(`${JSON.stringify(result.import)}\n`);
