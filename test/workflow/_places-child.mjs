// Imports, removes, restores, merges or moves in a process of its own, to be killed.
import * as workflow from '../../dist/src/workflow/index.js';

const [what, libraryDir, other] = process.argv.slice(2);
const context = { libraryDir, progress: () => {}, clock: () => new Date(Date.UTC(2026, 7, 14, 12)) };
const work = {
  import: () =>
    workflow.importCard(context, {
      card: other,
      site: 'Sandpiper Flat',
      at: { latitude: -30.62, longitude: 25.13 },
    }),
  remove: () => workflow.removeSession(context, other),
  restore: () => workflow.restoreSession(context, other),
  merge: () => workflow.mergeLibraries(context, other),
  move: () => workflow.moveLibrary(context, other),
};
process.stdout.write('ready\n');
process.stdout.write(`${JSON.stringify(await work[what]())}\n`);
