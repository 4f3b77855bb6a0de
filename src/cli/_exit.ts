import { Cancelled, type ErrorCode, InputError, NightcairnError, StorageError } from '../core/index.js';

/** What the shell is told. @source DEVELOPERS.md, "Command line". */
export const EXIT = { done: 0, nothing: 1, usage: 2, part: 3, fault: 70 } as const;

/** Codes that mean: the request was sound, but there was nothing that could be done. */
const NOTHING: ReadonlySet<ErrorCode> = new Set<ErrorCode>([
  'CARD_MISSING',
  'NO_FRAMES',
  'NOTHING_TO_DO',
  'UNKNOWN_ID',
  'NOT_WRITABLE',
  'NOT_READABLE',
  'CATALOGUE_BUSY',
  'CATALOGUE_DAMAGED',
  'CATALOGUE_NEWER',
]);

/** The exit code that an error asks for. */
export function exitCodeOf(error: unknown): number {
  if (!(error instanceof NightcairnError)) return EXIT.fault;
  if (error.code === 'INTERNAL') return EXIT.fault;
  if (NOTHING.has(error.code)) return EXIT.nothing;
  if (error instanceof InputError) return EXIT.usage;
  if (error instanceof Cancelled || error instanceof StorageError) return EXIT.part;
  return EXIT.nothing;
}
