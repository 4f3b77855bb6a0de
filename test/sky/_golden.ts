import { readFileSync } from 'node:fs';

/** One row of a golden file: the expected value, how near it must be met, and where it is from. */
export interface Row {
  readonly id: string;
  readonly quantity: string;
  readonly inputs: unknown;
  readonly expected: unknown;
  readonly tolerance: unknown;
  readonly source: string;
}

/** Reads a golden file of this folder. */
export const golden = <T>(name: string): T =>
  JSON.parse(readFileSync(new URL(`../golden/${name}`, import.meta.url), 'utf8')) as T;

/** The rows of a golden file by their id. */
export function rowsOf(name: string): Map<string, Row> {
  const { checks } = golden<{ checks: Row[] }>(name);
  return new Map(checks.map((row) => [row.id, row]));
}
