// Peak memory and processor time a frame of the whole stack stage over runs of growing length. Run `npm run build` first.
// With --sizes full: 24 megapixels, 10, 50 and 200 frames (ten frames drawn, the rest repeats them); an hour or so.
import { spawnSync } from 'node:child_process';
import { cpSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { buildNight } from '../../dist/sample-night/build-night.js';
import { makeCard } from '../../dist/sample-night/make-card.js';
import { stretchRun } from './_stretch-run.mjs';

/** Peak of the whole process, and flatness of the time a frame: the bounds that are promised for 24 megapixels. */
const PEAK = 1.5e9;
const FLAT = 0.15;

const CLI = new URL('../../dist/src/cli/index.js', import.meta.url).href;

/** Runs a command in a process of its own; its peak memory in bytes, and its processor time of all threads in s. */
function run(args) {
  const script = `const { main } = await import('${CLI}'); await main(${JSON.stringify(args)}); const used = process.resourceUsage(); process.stderr.write('\\npeak ' + used.maxRSS + ' ' + (used.userCPUTime + used.systemCPUTime));`;
  const done = spawnSync(process.execPath, ['--input-type=module', '-e', script], { encoding: 'utf8' });
  const told = /peak (\d+) (\d+)$/.exec(done.stderr);
  if (done.status !== 0 || !told) throw new Error(`${args.join(' ')}: ${done.stderr.slice(0, 800)}`);
  return { seconds: Number(told[2]) / 1e6, peak: 1024 * Number(told[1]) };
}

export async function bench({ full }) {
  const scratch = mkdtempSync(join(tmpdir(), 'nightcairn-memory-'));
  try {
    const size = full ? { width: 6000, height: 4000 } : { width: 900, height: 600 };
    const scenario = buildNight({
      ...{ name: 'memory', seed: 5, frames: full ? 10 : 6, sensorWidthMm: full ? 36 : 22.5, ...size },
      aim: { azimuth: 200, altitude: 25 },
      land: { kind: 'hills', skyline: 8, trees: 6 },
    });
    const { card } = await makeCard(scratch, { scenario });
    const first = join(scratch, 'library');
    run(['import', card, '--at', '-30.62,25.13', '--site', 'Flat', '--library', first, '--quiet']);
    run(['measure', '--library', first, '--quiet']);
    console.log('frames | peak MB | processor s | s a frame');
    const per = [];
    for (const frames of full ? [10, 50, 200] : [6, 12]) {
      const library = join(scratch, `library-${frames}`);
      cpSync(first, library, { recursive: true });
      stretchRun(library, frames);
      const { seconds, peak } = run(['stack', '--library', library, '--quiet']);
      per.push({ frames, seconds });
      console.log(
        `${frames} | ${(peak / 1e6).toFixed(0)} | ${seconds.toFixed(1)} | ${(seconds / frames).toFixed(2)}`,
      );
      if (full && peak > PEAK) console.log(`OVER the ${PEAK / 1e6} MB promised`);
      rmSync(library, { recursive: true });
    }
    // What each further frame costs, between neighbouring lengths; the finish is the same for all.
    const costs = per.slice(1).map((run, i) => (run.seconds - per[i].seconds) / (run.frames - per[i].frames));
    const spread = Math.max(...costs) / Math.min(...costs) - 1;
    console.log(`s for each further frame: ${costs.map((cost) => cost.toFixed(2)).join(', ')}`);
    if (full && spread > FLAT) console.log(`NOT FLAT within ${FLAT}: ${spread.toFixed(2)}`);
  } finally {
    rmSync(scratch, { recursive: true, force: true });
  }
}
