import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

/** The folder of shared files beside the checkout; no fresh clone needs it. No slash at the end. */
export const SHARED = fileURLToPath(new URL('../../../shared', import.meta.url));

/** Real files that are never committed; tests over them are skipped where the folder is absent. */
export const REAL = `${SHARED}/real`;

export const hasReal = existsSync(REAL);

export const WITHOUT_REAL = 'skipped: the folder of real files, ../shared/real, is not here';
