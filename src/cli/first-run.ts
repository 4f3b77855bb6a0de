import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { createInterface } from 'node:readline/promises';
import { NightcairnError } from '../core/index.js';
import { libraryFolder } from './_command.js';
import { position } from './_values.js';

/** What `nightcairn` alone says: where the library is, how to start, and on a terminal it asks for a first site. */
export async function firstRun(): Promise<void> {
  const dir = libraryFolder(undefined);
  const known = existsSync(join(dir, 'catalogue.sqlite'));
  const lines = [
    'Nightcairn takes a night of Milky Way frames off the card and makes a picture and a report of it.',
    '',
    known ? `Your library is ${dir}` : `Your library will be ${dir}`,
    known ? '' : 'Nothing is written there until the first card or site. Another place: --library DIR.',
    '',
    'When you come home with a card:       nightcairn night PATH-OF-THE-CARD',
    'To have every card done by itself:    nightcairn watch',
    'Before the night, at a desk:          nightcairn plan new --night 2026-08-12 --at -31.25,20.5',
    'To see it work on an invented night:  npm run demo (in the source folder)',
    'All commands:                         nightcairn --help',
    '',
    'The card is only read, never written to; keep two copies before you erase it.',
  ];
  process.stdout.write(`${lines.filter((line, i) => line !== '' || lines[i - 1] !== '').join('\n')}\n`);
  if (known || !process.stdin.isTTY || !process.stdout.isTTY) return;
  await askForSite(dir);
}

/** Asks for the place most nights are from; an empty answer is fine. */
async function askForSite(libraryDir: string): Promise<void> {
  const ask = createInterface({ input: process.stdin, output: process.stdout });
  try {
    const name = (
      await ask.question('\nWhere do you photograph most? A name for the place (Enter to skip): ')
    ).trim();
    if (name === '') return;
    const where = (
      await ask.question(
        'Its latitude and longitude in signed decimals, as in -31.25,20.5 (Enter if unknown): ',
      )
    ).trim();
    const at = where === '' ? undefined : position(where);
    const { addSite } = await import('../workflow/index.js');
    const site = await addSite(
      { libraryDir, progress: () => {}, clock: () => new Date() },
      { name, ...(at === undefined ? {} : { at }), isDefault: true },
    );
    process.stdout.write(
      `${site.name} is now the place of nights that name none${site.zone ? `, with times in ${site.zone}` : ''}.\n`,
    );
  } catch (error) {
    const message =
      error instanceof NightcairnError || error instanceof Error ? error.message : String(error);
    process.stdout.write(
      `${message}\nYou can do it later with: nightcairn site add NAME --at LAT,LON --default\n`,
    );
    process.exitCode = 2;
  } finally {
    ask.close();
  }
}
