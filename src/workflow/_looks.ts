import { readFile } from 'node:fs/promises';
import { InputError } from '../core/index.js';
import { builtInLook, LOOKS, type Look, readLook } from '../finishing/index.js';

/**
 * A look by the name of one of ours, or from the photographer's own look file.
 * @throws {InputError} VALUE_NOT_UNDERSTOOD, VALUE_OUT_OF_RANGE
 */
export async function lookNamed(nameOrFile: string): Promise<Look> {
  if (Object.hasOwn(LOOKS, nameOrFile)) return builtInLook(nameOrFile);
  let text: string;
  try {
    text = await readFile(nameOrFile, 'utf8');
  } catch (cause) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected one of the looks ${Object.keys(LOOKS).join(', ')}, or a look file that can be read, but received "${nameOrFile}".`,
      { cause },
    );
  }
  return readLook(text, nameOrFile);
}
