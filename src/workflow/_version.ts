import { readFileSync } from 'node:fs';

/** The version of this program, from the nearest package.json above the code, compiled or not. */
export function toolVersion(): string {
  for (const up of ['../../package.json', '../../../package.json']) {
    try {
      const found = JSON.parse(readFileSync(new URL(up, import.meta.url), 'utf8')) as {
        name?: string;
        version?: string;
      };
      if (found.name === 'nightcairn' && found.version !== undefined) return found.version;
    } catch {
      // Not here: one folder further up.
    }
  }
  return 'unknown';
}
