import { createHash } from 'node:crypto';
import {
  existsSync,
  lstatSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  utimesSync,
  writeFileSync,
} from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join, relative } from 'node:path';
import { afterAll, afterEach } from 'vitest';
import { seededRandom } from '../../src/core/index.js';

const made: string[] = [];

/** Memory disk where there is one: waiting for a real disk proves nothing in most tests. */
const FAST = existsSync('/dev/shm') && process.platform === 'linux' ? '/dev/shm' : tmpdir();

/** A scratch folder that goes away after the test. */
export function scratch(): string {
  const folder = mkdtempSync(join(FAST, 'cairn-'));
  made.push(folder);
  return folder;
}

/** A scratch folder that stays until the file's tests are over. */
scratch.lasting = (): string => {
  const folder = mkdtempSync(join(FAST, 'cairn-'));
  lasting.push(folder);
  return folder;
};

const lasting: string[] = [];
afterAll(() => {
  for (const folder of lasting.splice(0)) rmSync(folder, { recursive: true, force: true });
});

afterEach(() => {
  for (const folder of made.splice(0)) rmSync(folder, { recursive: true, force: true });
});

/** What a make-believe frame says of itself: a first line of JSON, then noise. */
export interface FakeFrame {
  readonly wallTime?: string;
  readonly exposureTime?: number;
  readonly iso?: number;
  readonly fNumber?: number;
  readonly focalLengthMm?: number;
  readonly camera?: string;
  readonly lens?: string;
  readonly gps?: { readonly latitude: number; readonly longitude: number };
  readonly role?: string;
  /** `pixels`: header only readable; `header`: nothing readable. */
  readonly damage?: 'pixels' | 'header';
}

/** Bytes of a make-believe frame. */
export function frameBytes(frame: FakeFrame, seed: number, size = 2000): Buffer {
  const random = seededRandom(seed);
  const head = Buffer.from(`FAKE${JSON.stringify(frame)}\n`);
  const noise = Buffer.alloc(Math.max(0, size - head.length));
  for (let i = 0; i < noise.length; i++) noise[i] = Math.floor(random() * 256);
  return Buffer.concat([head, noise]);
}

/** Writes a file with a modification time, making its folders. */
export function put(path: string, bytes: Uint8Array | string, modified = Date.UTC(2026, 7, 13, 20)): void {
  mkdirSync(dirname(path), { recursive: true });
  writeFileSync(path, bytes);
  utimesSync(path, modified / 1000, modified / 1000);
}

/** `22:00:00` plus i times `step` s, as a wall clock on the night of 2026-08-13. */
export function wallAt(i: number, step = 12, start = '2026-08-13T22:00:00Z'): string {
  return new Date(Date.parse(start) + 1000 * step * i).toISOString().slice(0, 19);
}

/** A card with `count` make-believe lights in one DCIM folder. */
export function makeCard(
  card: string,
  count: number,
  options: { size?: number; seed?: number } = {},
): string[] {
  const paths: string[] = [];
  for (let i = 0; i < count; i++) {
    const path = join(card, 'DCIM', '100NIGHT', `NGT_${String(i + 1).padStart(4, '0')}.DNG`);
    const frame: FakeFrame = {
      wallTime: wallAt(i),
      exposureTime: 10,
      iso: 3200,
      fNumber: 2.8,
      focalLengthMm: 24,
      camera: 'Skua 7',
      lens: 'Skua 24 mm',
    };
    put(
      path,
      frameBytes(frame, (options.seed ?? 1) * 1000 + i, options.size ?? 2000),
      Date.UTC(2026, 7, 13, 20) + i * 12000,
    );
    paths.push(path);
  }
  return paths;
}

export const sha = (bytes: Uint8Array): string => createHash('sha256').update(bytes).digest('hex');

/** Every entry below a folder with hash, size and time: equal before and after means untouched. */
export function treeOf(folder: string): Record<string, string> {
  const tree: Record<string, string> = {};
  const visit = (path: string) => {
    const facts = lstatSync(path);
    const name = relative(folder, path);
    if (facts.isDirectory()) {
      tree[name] = `folder ${facts.mtimeMs}`;
      for (const entry of readdirSync(path).sort()) visit(join(path, entry));
    } else {
      tree[name] = `${facts.isFile() ? sha(readFileSync(path)) : 'link'} ${facts.size} ${facts.mtimeMs}`;
    }
  };
  visit(folder);
  return tree;
}

/** Files below a folder, relative, sorted; catalogue and lock left out. */
export const filesBelow = (folder: string): string[] =>
  Object.entries(treeOf(folder))
    .filter(([, said]) => !said.startsWith('folder'))
    .map(([name]) => name)
    .filter((name) => !name.startsWith('catalogue.sqlite') && !name.startsWith('.lock'));
