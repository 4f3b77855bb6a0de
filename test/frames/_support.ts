import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { FormatError } from '../../src/core/index.js';
import { provideRawDecoder } from '../../src/frames/index.js';
import { REAL } from '../support/shared.js';

const FIXTURES = fileURLToPath(new URL('../fixtures/formats/', import.meta.url));
const GOLDEN = fileURLToPath(new URL('../golden/', import.meta.url));

export { hasReal, REAL, WITHOUT_REAL } from '../support/shared.js';

export function fixture(name: string): Uint8Array {
  return new Uint8Array(readFileSync(join(FIXTURES, name)));
}

export function golden<T>(name: string): T {
  return JSON.parse(readFileSync(join(GOLDEN, name), 'utf8')) as T;
}

export function useRawDecoder(): void {
  const require = createRequire(import.meta.url);
  provideRawDecoder(readFileSync(require.resolve('libraw-wasm/dist/libraw.wasm')));
}

/** Paths of the real files below a folder. */
export function realFiles(folder: string): string[] {
  const whole = join(REAL, folder);
  if (!existsSync(whole)) return [];
  return readdirSync(whole)
    .filter((name) => !name.startsWith('.'))
    .sort()
    .map((name) => join(whole, name));
}

export const readReal = (path: string): Uint8Array => new Uint8Array(readFileSync(path));

/** The code of the FormatError that a reader ends in; anything else is thrown on. */
export async function codeOf(run: () => Promise<unknown>): Promise<string | undefined> {
  try {
    await run();
    return undefined;
  } catch (error) {
    if (error instanceof FormatError) return error.code;
    throw error;
  }
}

export interface Check {
  readonly quantity: string;
  readonly inputs: unknown;
  readonly expected: never;
  readonly tolerance: unknown;
}

export const checks = (): Record<string, Check> =>
  golden<{ checks: Record<string, Check> }>('frames-checks.json').checks;
