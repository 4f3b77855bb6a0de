import type { Role } from '../core/index.js';
import { folderOf, stem } from './_order.js';

const HINTS: readonly (readonly [RegExp, Role])[] = [
  [/^(master)?dark(flat)?s?$/, 'dark'],
  [/^flat(field|s)?$/, 'flat'],
  [/^(master)?(bias|biases|offsets?)$/, 'bias'],
  [/^lights?$/, 'light'],
  [/^(tests?|focus)$/, 'test'],
];

/**
 * A role that a folder's or file's name hints at. Only a name that is the word (and a number or settings after
 * it) counts: `darks`, `flat_01`, but not `dark-sky-park` or `salt-flats`.
 */
export function hintedRole(path: string): Role | undefined {
  const parts = [...folderOf(path).split('/').reverse(), stem(path)];
  for (const part of parts) {
    const words = part
      .toLowerCase()
      .replace(/[^a-z0-9.]+/g, ' ')
      .trim()
      .split(' ')
      .filter((word) => !/^(\d.*|iso\d*|frames?|s|sec|c)$/.test(word));
    const joined = words.join('').replace(/\d+$/, '');
    for (const [pattern, role] of HINTS) if (pattern.test(joined)) return role;
  }
  return undefined;
}
