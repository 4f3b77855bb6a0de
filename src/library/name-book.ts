import type { FileSystem } from './file-system.js';
import { alternativeName, nameKey, safeName } from './paths.js';
import { isMissing, storageError } from './system-errors.js';

/** Names taken in folders, by folder; read once a folder and kept up to date. */
export interface NameBook {
  /**
   * Reserves free names in `folder` for files that belong together: their own names, or all with the same
   * suffix when one is taken in any case.
   */
  reserve(folder: string, wanted: readonly string[]): Promise<readonly string[]>;
}

/** Makes a book of taken names over what lies in the folders now. */
export function nameBook(fileSystem: FileSystem): NameBook {
  const folders = new Map<string, Set<string>>();
  return {
    async reserve(folder, wanted) {
      let taken = folders.get(folder);
      if (!taken) {
        taken = new Set();
        try {
          for (const { name } of await fileSystem.list(folder)) taken.add(nameKey(name));
        } catch (error) {
          if (!isMissing(error)) throw storageError(error, folder, 'read the library');
        }
        folders.set(folder, taken);
      }
      const bases = wanted.map(safeName);
      for (let n = 1; ; n++) {
        const names = bases.map((base) => alternativeName(base, n));
        const keys = names.map(nameKey);
        // Two files of one frame may even share a name (from two cards); then they get numbers of their own.
        if (keys.some((key, i) => taken.has(key) || keys.indexOf(key) !== i)) {
          if (new Set(bases.map(nameKey)).size === bases.length) continue;
          const one: string[] = [];
          for (const base of wanted) one.push(...(await this.reserve(folder, [base])));
          return one;
        }
        for (const key of keys) taken.add(key);
        return names;
      }
    },
  };
}
