import { access, writeFile } from 'node:fs/promises';
import { InputError, StorageError } from '../core/index.js';
import {
  inUnit,
  LOOK_PARAMETERS,
  LOOKS,
  type Look,
  type LookParameter,
  writeLook,
} from '../finishing/index.js';
import { lookNamed } from './_looks.js';

/** Our looks and the parameters that they set, for people to choose from. */
export function listLooks(): {
  readonly looks: readonly { readonly name: string; readonly about: string; readonly look: Look }[];
  readonly parameters: readonly LookParameter[];
} {
  const looks = Object.entries(LOOKS).map(([name, look]) => ({ name, about: LOOK_WORDS[name] ?? '', look }));
  return { looks, parameters: LOOK_PARAMETERS };
}

const LOOK_WORDS: Readonly<Record<string, string>> = {
  'still-night': 'what the eye half remembers: dark sky, gentle band, stars with their colours',
  'river-of-light': 'brighter, for a phone screen or a print on a bright wall',
  'as-it-was': 'as little as can be done: no glow taken off, half the colour cast left, colours as recorded',
};

/** The text of a look file. @throws {InputError} VALUE_NOT_UNDERSTOOD */
export const lookText = async (nameOrFile: string): Promise<string> => writeLook(await lookNamed(nameOrFile));

/** A look's values by field, in the units of its parameters. */
export const lookRow = (look: Look): number[] => LOOK_PARAMETERS.map((parameter) => inUnit(parameter, look));

/**
 * Writes a look as a file to edit; a file that is there is never overwritten.
 * @throws {InputError} VALUE_NOT_UNDERSTOOD
 * @throws {StorageError} NOT_WRITABLE
 */
export async function copyLook(name: string, path: string): Promise<void> {
  const text = await lookText(name);
  const there = await access(path).then(
    () => true,
    () => false,
  );
  if (there) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected the name of a new file but ${path} is there already; choose another name.`,
    );
  }
  try {
    await writeFile(path, text, { flag: 'wx' });
  } catch (cause) {
    throw new StorageError(
      'NOT_WRITABLE',
      `Expected to write ${path} but could not: ${(cause as Error).message}.`,
      {
        path,
        cause,
      },
    );
  }
}
