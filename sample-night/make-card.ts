import { mkdirSync, writeFileSync } from 'node:fs';
import { dirname, join, resolve } from 'node:path';
import sharp from 'sharp';
import { type Progress, silent } from '../src/core/index.js';
import { compiledUrl, createWorkerPool } from '../src/kernels/index.js';
import type { CardTask } from './_card-worker.js';
import type { NightScenario } from './night-scenario.js';
import { sampleScenario } from './scenario.js';
import { simulateNight } from './sky-scene.js';
import type { FrameTruth } from './truth.js';

export interface MakeCardOptions {
  readonly seed?: number;
  readonly scenario?: NightScenario;
  readonly progress?: Progress;
  readonly signal?: AbortSignal;
  /** Threads at work; default the pool's own choice. */
  readonly workers?: number;
}

/** What was made, absolute paths. */
export interface MadeCard {
  readonly card: string;
  readonly truth: string;
  readonly plan: string | undefined;
  readonly landMask: string | undefined;
  /** Files of each frame, relative to the card, raw first. */
  readonly files: readonly (readonly string[])[];
  readonly scenario: NightScenario;
}

/** File names of each frame, relative to the card: DCF folders and numbers, rolling over after 9999. */
export function cardFiles(scenario: NightScenario): string[][] {
  const { folderSuffix, filePrefix, firstFolder, firstNumber } = scenario.naming;
  return scenario.shots.map((shot, i) => {
    const running = firstNumber - 1 + i;
    const folder = `${firstFolder + Math.floor(running / 9999)}${folderSuffix}`;
    const number = String((running % 9999) + 1).padStart(4, '0');
    const path = `DCIM/${folder}/${filePrefix}${number}`;
    if (scenario.output === 'jpeg') return [`${path}.JPG`];
    // The card failed while it wrote a damaged frame: its small picture is missing too.
    return shot.damage ? [`${path}.DNG`] : [`${path}.DNG`, `${path}.JPG`];
  });
}

/** What `truth.json` holds of a frame besides the simulator's own truth. */
export type FrameTruthOnCard = FrameTruth & { readonly files: readonly string[] };

/**
 * Writes a night as the memory card a camera would bring home: `DIR/card/DCIM/...`, and beside it
 * `DIR/truth.json`, `DIR/truth-land.png` (white = land, first framing of the lights) and `DIR/plan.json`
 * (arguments of `plan new`). The same scenario gives the same bytes.
 */
export async function makeCard(dir: string, options: MakeCardOptions = {}): Promise<MadeCard> {
  const { progress = silent } = options;
  const scenario = options.scenario ?? sampleScenario(options.seed);
  const root = resolve(dir);
  const card = join(root, 'card');
  const files = cardFiles(scenario);
  for (const names of files)
    for (const name of names) mkdirSync(dirname(join(card, name)), { recursive: true });
  const pool = createWorkerPool(compiledUrl(import.meta.url, './_card-worker.js'), options.workers);
  let done = 0;
  try {
    await Promise.all(
      files.map(async (names, index) => {
        const dng = names.find((name) => name.endsWith('.DNG'));
        const jpeg = names.find((name) => name.endsWith('.JPG'));
        const task: CardTask = {
          scenario,
          index,
          ...(dng === undefined ? {} : { dngPath: join(card, dng) }),
          ...(jpeg === undefined ? {} : { jpegPath: join(card, jpeg) }),
        };
        await pool.run('writeFrame', task, { signal: options.signal });
        progress({ task: 'exposing the sample night', done: ++done, total: files.length, unit: 'frames' });
      }),
    );
  } finally {
    await pool.close();
  }
  writeFileSync(
    join(card, 'NOTES.TXT'),
    `${scenario.site.name}\r\nSpare battery in the left pocket. Thermos in the car.\r\n`,
  );
  const night = simulateNight(scenario);
  const truth = join(root, 'truth.json');
  const { truth: known } = night;
  const frames: FrameTruthOnCard[] = known.frames.map((frame, i) => ({ ...frame, files: files[i]! }));
  const firstLight = scenario.shots.findIndex((shot) => shot.role === 'light');
  let landMask: string | undefined;
  if (firstLight >= 0 && scenario.land.kind !== 'none') {
    landMask = join(root, 'truth-land.png');
    const mask = night.frames[firstLight]!.landMask();
    await sharp(
      Uint8Array.from(mask.data, (value) => 255 * value),
      {
        raw: { width: mask.width, height: mask.height, channels: 1 },
      },
    )
      .png()
      .toFile(landMask);
  }
  writeFileSync(truth, `${JSON.stringify({ ...known, frames, otherFiles: ['NOTES.TXT'] }, null, 1)}\n`);
  let plan: string | undefined;
  if (scenario.plan) {
    plan = join(root, 'plan.json');
    writeFileSync(plan, `${JSON.stringify({ arguments: planArguments(scenario) }, null, 1)}\n`);
  }
  return { card, truth, plan, landMask, files, scenario };
}

/** The night's plan as arguments of `nightcairn plan new`; empty when nothing was planned. */
export function planArguments(scenario: NightScenario): string[] {
  const { plan, site, camera } = scenario;
  if (!plan) return [];
  return [
    ['--site', site.name],
    ['--at', `${site.latitude},${site.longitude}`],
    ['--zone', site.zone],
    ['--night', plan.night],
    ['--focal', plan.focalMm],
    ['--crop', plan.crop],
    ['--pitch', camera.pixelPitchUm],
    ['--aperture', plan.aperture],
    ['--iso', plan.iso],
    ['--shutter', plan.shutter],
    ['--frames', plan.frames],
    ['--target', plan.target],
    ['--notes', plan.notes],
  ].flatMap(([name, value]) => [String(name), String(value)]);
}
