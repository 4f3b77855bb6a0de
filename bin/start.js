// What a double-click on one of the starters beside this file does: says how to begin where there is no library
// yet, then waits for cards. Works on all systems; the starters only open a window and find Node.js.
import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { createInterface } from 'node:readline/promises';

const here = new URL('../dist/src/cli/', import.meta.url);
if (!existsSync(new URL('index.js', here))) {
  process.stderr.write(
    'Nightcairn is here as source only. Open a terminal in its folder, type "npm ci", press Enter, and double-click again.\n',
  );
  process.exit(1);
}
const { main } = await import(new URL('index.js', here).href);
const { libraryFolder } = await import(new URL('_command.js', here).href);

const begun = existsSync(join(libraryFolder(undefined), 'catalogue.sqlite'));
if (!begun) await main([]);
if (begun || (await wantsToWait())) await main(['watch', ...process.argv.slice(2)]);

/** On a terminal the person says whether to go on; elsewhere nobody can, and the text was all. */
async function wantsToWait() {
  if (!process.stdin.isTTY || !process.stdout.isTTY) return false;
  const ask = createInterface({ input: process.stdin, output: process.stdout });
  try {
    const said = await ask.question('\nWait for a card now and do all the work on it? (Enter: yes, n: no) ');
    return !/^\s*n/i.test(said);
  } finally {
    ask.close();
  }
}
