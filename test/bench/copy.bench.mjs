// Verified card copy against `cp` followed by `sha256sum` of source and copy, on the same disk.
// Usage: node test/bench/copy.bench.mjs [--files 20] [--size 25] (MB each) [--rounds 3]
import { execFileSync } from 'node:child_process';
import { randomFillSync } from 'node:crypto';
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { cpus, tmpdir, totalmem } from 'node:os';
import { join } from 'node:path';
import { parseArgs } from 'node:util';
import { copyCard, nodeFileSystem, openLibrary, scanCard } from '../../dist/src/library/index.js';

const { values } = parseArgs({
  options: {
    files: { type: 'string' },
    size: { type: 'string' },
    rounds: { type: 'string', default: '3' },
    dir: { type: 'string', default: tmpdir() },
    only: { type: 'string' },
    sizes: { type: 'string' },
    workers: { type: 'string' },
  },
});
const full = values.sizes !== 'small';
const [files, size, rounds] = [
  values.files ?? (full ? 20 : 5),
  values.size ?? (full ? 25 : 8),
  values.rounds,
].map(Number);
const base = mkdtempSync(join(values.dir, 'cairn-bench-'));
console.log(
  `node ${process.version}  ${cpus()[0].model} x ${cpus().length}  ${(totalmem() / 1e9).toFixed(0)} GB`,
);
try {
  const card = join(base, 'card', 'DCIM', '100BENCH');
  mkdirSync(card, { recursive: true });
  for (let i = 0; i < files; i++) {
    writeFileSync(join(card, `B${String(i).padStart(4, '0')}.DNG`), randomFillSync(Buffer.alloc(size * 1e6)));
  }
  const mb = files * size;
  const ours = [];
  const plain = [];
  for (let round = 0; round < rounds; round++) {
    const target = join(base, `cp${round}`);
    let start = performance.now();
    execFileSync('cp', ['-r', card, target]);
    execFileSync('sh', ['-c', `sha256sum "${card}"/* "${target}"/* > /dev/null`]);
    plain.push(mb / ((performance.now() - start) / 1000));
    rmSync(target, { recursive: true });
    const library = openLibrary(join(base, `library${round}`), { mode: 'write' });
    start = performance.now();
    const content = await scanCard(nodeFileSystem, join(base, 'card'), (name) => name.endsWith('.DNG'));
    const report = await copyCard(library, { card: join(base, 'card'), content, progress: () => {} });
    ours.push(mb / ((performance.now() - start) / 1000));
    if (report.copied !== files || report.failed.length > 0) throw new Error('the copy is not complete');
    library.close();
    rmSync(join(base, `library${round}`), { recursive: true });
  }
  const median = (list) => list.sort((a, b) => a - b)[list.length >> 1];
  const [a, b] = [median(ours), median(plain)];
  console.log('case | size | median MB/s | ratio');
  console.log(`cp + sha256sum of both | ${files} x ${size} MB | ${b.toFixed(0)} | 1`);
  console.log(`verified copy | ${files} x ${size} MB | ${a.toFixed(0)} | ${(a / b).toFixed(2)} (goal 0.6)`);
} finally {
  rmSync(base, { recursive: true, force: true });
}
