import { readdirSync, readFileSync, statSync } from 'node:fs';
import { dirname, join, relative, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';

const SRC = fileURLToPath(new URL('../src', import.meta.url));

const PURE = ['sky', 'frames', 'nights', 'stars', 'alignment', 'verdicts', 'stacking', 'finishing'];
const EDGES = ['library', 'report', 'page'];

/** Who may import whom (DEVELOPERS.md, "The house"). A folder may always import itself. */
function allowed(folder: string): readonly string[] {
  if (folder === 'core') return [];
  if (folder === 'kernels') return ['core'];
  const pureIndex = PURE.indexOf(folder);
  if (pureIndex >= 0) return ['core', 'kernels', ...PURE.slice(0, pureIndex)];
  if (EDGES.includes(folder)) return ['core', 'kernels', ...PURE];
  if (folder === 'workflow') return ['core', 'kernels', ...PURE, ...EDGES];
  if (folder === 'cli') return ['core', 'workflow', ...EDGES];
  return [];
}

/** Codecs that a reader in `frames/` may use; nothing else pure touches a third party but for mathematics and the ephemeris. */
const PACKAGES: Record<string, readonly string[]> = {
  sky: ['astronomy-engine', '@photostructure/tz-lookup'],
  frames: ['sharp', 'exifr', 'geotiff', 'libraw-wasm'],
  alignment: ['ml-matrix'],
  stars: ['ml-matrix'],
  stacking: ['ml-matrix'],
  finishing: ['ml-matrix'],
};

function files(folder: string): string[] {
  return readdirSync(folder).flatMap((name) => {
    const path = join(folder, name);
    if (statSync(path).isDirectory()) return name === 'assembly' ? [] : files(path);
    return path.endsWith('.ts') && !path.endsWith('.generated.ts') ? [path] : [];
  });
}

function imports(text: string): string[] {
  const found: string[] = [];
  for (const match of text.matchAll(/(?:from|import)\s*\(?\s*['"]([^'"]+)['"]/g)) found.push(match[1]!);
  return found;
}

describe('the house', () => {
  const all = files(SRC);

  it('has imports that only go up the list of folders', () => {
    const broken: string[] = [];
    for (const file of all) {
      const folder = relative(SRC, file).split('/')[0]!;
      for (const target of imports(readFileSync(file, 'utf8'))) {
        if (!target.startsWith('.')) continue;
        const to = relative(SRC, resolve(dirname(file), target)).split('/')[0]!;
        if (to !== folder && !allowed(folder).includes(to))
          broken.push(`${relative(SRC, file)} -> ${target}`);
      }
    }
    expect(broken).toEqual([]);
  });

  it('enters another folder through its index only', () => {
    const broken: string[] = [];
    for (const file of all) {
      const folder = relative(SRC, file).split('/')[0]!;
      for (const target of imports(readFileSync(file, 'utf8'))) {
        if (!target.startsWith('.')) continue;
        const to = relative(SRC, resolve(dirname(file), target));
        if (to.split('/')[0] !== folder && !/^[a-z]+\/index\.js$/.test(to))
          broken.push(`${relative(SRC, file)} -> ${target}`);
      }
    }
    expect(broken).toEqual([]);
  });

  it('keeps disk, clock, chance and console out of the pure folders', () => {
    const broken: string[] = [];
    for (const file of all) {
      const folder = relative(SRC, file).split('/')[0]!;
      if (folder !== 'core' && !PURE.includes(folder)) continue;
      const text = readFileSync(file, 'utf8');
      const code = text.replace(/\/\*[\s\S]*?\*\/|\/\/.*$/gm, '');
      for (const word of ['Date.now', 'Math.random', 'console.', 'process.', 'new Date()']) {
        if (code.includes(word)) broken.push(`${relative(SRC, file)}: ${word}`);
      }
      for (const target of imports(text)) {
        if (target.startsWith('.')) continue;
        if (!(PACKAGES[folder] ?? []).some((name) => target === name || target.startsWith(`${name}/`))) {
          // The raw decoder's module loader needs to find its own wasm file and nothing else.
          broken.push(`${relative(SRC, file)}: ${target}`);
        }
      }
    }
    expect(broken).toEqual([]);
  });

  it('ends a process in cli only', () => {
    const broken = all.filter(
      (file) =>
        !relative(SRC, file).startsWith('cli/') && readFileSync(file, 'utf8').includes('process.exit'),
    );
    expect(broken.map((file) => relative(SRC, file))).toEqual([]);
  });
});
