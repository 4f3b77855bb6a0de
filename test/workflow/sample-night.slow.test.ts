import { spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import sharp from 'sharp';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { makeCard } from '../../sample-night/index.js';
import { readPixels } from '../../src/frames/index.js';

const PROGRAM = fileURLToPath(new URL('../../bin/nightcairn.js', import.meta.url));

interface Frame {
  readonly id: string;
  readonly files: string[];
  readonly role: string;
  readonly verdict: string;
  readonly reasons: { code: string; text: string; value?: number; limit?: number }[];
}
interface TruthFrame {
  readonly index: number;
  readonly role: string;
  readonly verdict: string;
  readonly files: string[];
  readonly borderline?: boolean;
}

// biome-ignore lint/suspicious/noExplicitAny: a JSON document of the command line, held by the assertions below
type Json = any;

function run(
  library: string,
  args: readonly string[],
): { status: number | null; json: Json; stderr: string } {
  const done = spawnSync(process.execPath, [PROGRAM, ...args, '--json', '--library', library], {
    maxBuffer: 1 << 28,
  });
  const text = done.stdout.toString('utf8');
  return {
    status: done.status,
    json: text === '' ? undefined : JSON.parse(text),
    stderr: done.stderr.toString('utf8'),
  };
}

/** Everything below a folder with its size and time, to see that nothing was touched. */
function tree(dir: string): string[] {
  return readdirSync(dir, { withFileTypes: true })
    .flatMap((entry) => {
      const path = join(dir, entry.name);
      const { size, mtimeMs } = statSync(path);
      return entry.isDirectory() ? tree(path) : [`${path} ${size} ${mtimeMs}`];
    })
    .sort();
}

describe('the sample night, end to end', () => {
  const scratch = mkdtempSync(join(tmpdir(), 'nightcairn-sample-'));
  const library = join(scratch, 'library');
  let truth: { frames: TruthFrame[] };
  let night: ReturnType<typeof run>;
  let shown: Json;
  let before: string[];

  beforeAll(async () => {
    const card = await makeCard(scratch);
    truth = JSON.parse(readFileSync(card.truth, 'utf8'));
    before = tree(card.card);
    const plan = (JSON.parse(readFileSync(card.plan!, 'utf8')) as { arguments: string[] }).arguments;
    const planned = run(library, ['plan', 'new', ...plan]);
    expect(planned.status).toBe(0);
    night = run(library, ['night', card.card, '--plan', planned.json.plan.id]);
    shown = run(library, ['show', 'latest']).json;
  }, 900_000);
  afterAll(() => rmSync(scratch, { recursive: true, force: true }));

  it('ends with "done in part" because two files of the card are damaged, and says which', () => {
    expect(night.status).toBe(3);
    expect(night.json.import.failed.map((failure: Json) => failure.copied)).toEqual([true, true]);
    expect(night.json.import.copied).toBe(night.json.import.found);
  });

  it('leaves the card as it was (P49)', () => {
    expect(tree(join(scratch, 'card'))).toEqual(before);
  });

  it('agrees with truth on role and verdict in at least 95 of 100 frames', () => {
    const byName = new Map<string, Frame>();
    for (const sequence of shown.sequences) {
      for (const frame of sequence.frames as Frame[]) {
        for (const file of frame.files) byName.set(file.split(/[/\\]/).pop()!, frame);
      }
    }
    const wrong = truth.frames.filter((expected) => {
      const found = byName.get(expected.files[0]!.split('/').pop()!);
      return (
        !found ||
        found.role !== expected.role ||
        (expected.role === 'light' && found.verdict !== expected.verdict)
      );
    });
    expect(
      1 - wrong.length / truth.frames.length,
      `wrong: ${wrong.map((frame) => `${frame.files[0]} should be ${frame.role} ${frame.verdict}`).join('; ')}`,
    ).toBeGreaterThanOrEqual(0.95);
  });

  it('gives every drop a reason in a sentence', () => {
    const dropped = shown.sequences.flatMap((s: Json) => s.frames).filter((f: Frame) => f.verdict === 'drop');
    expect(dropped.length).toBeGreaterThan(0);
    for (const frame of dropped as Frame[]) {
      expect(frame.reasons.length).toBeGreaterThan(0);
      expect(frame.reasons[0]!.text).toMatch(/^[A-Z].*\.$/);
    }
  });

  it('brings the noise down by at least 0.9 of the square root of the number of frames', () => {
    const [stack] = night.json.stacks;
    expect(stack.noise.gain).toBeGreaterThanOrEqual(0.9 * Math.sqrt(stack.framesUsed)); // the issue's bound
    expect(stack.noise.gain).toBeLessThan(1.15 * Math.sqrt(stack.framesUsed)); // more than theory would be a measuring fault
    expect(stack.alignment.rms).toBeLessThan(0.35); // centroid noise of faint stars, FINDINGS lesson 8
  });

  it('writes linear files on the full grid and a finished picture', async () => {
    const { files } = night.json.stacks[0];
    for (const path of Object.values(files) as string[]) expect(existsSync(path), path).toBe(true);
    const fits = await readPixels(readFileSync(files.fits), files.fits);
    expect([fits.kind, fits.width, fits.height]).toEqual(['color', 1500, 1000]);
    const tiff = await sharp(files.linearTiff).metadata();
    expect([tiff.width, tiff.height, tiff.depth]).toEqual([1500, 1000, 'ushort']);
    const picture = await sharp(files.pictureJpeg).metadata();
    expect(picture.icc).toBeDefined();
    expect(picture.exif).toBeDefined();
    expect(picture.width!).toBeLessThan(picture.height!); // the camera stood upright
  });

  it('names every imperfection of the night in the report', () => {
    const page = readFileSync(night.json.report, 'utf8').toLowerCase();
    for (const word of [
      'cloud',
      'knock',
      'shook',
      'focus',
      'light fell',
      'crossed',
      'damaged',
      'twk_0015',
      'twk_9996',
      'dark',
      'sweep',
    ]) {
      expect(page, word).toContain(word);
    }
    expect(page).not.toContain('nan');
    expect(page).not.toContain('undefined');
  });

  it('finds the night again by settings, place and month', () => {
    expect(run(library, ['search', '--iso', '1600..6400', '--month', '8']).json.count).toBe(1);
    expect(run(library, ['search', '--near=-30.6,25.1', '--radius', '10']).json.count).toBe(1);
    const none = run(library, ['search', '--iso', '100']);
    expect([none.status, none.json.count]).toEqual([0, 0]);
  });

  it('remembers what the run told of its body, for plans and counts of later nights (P46)', () => {
    const { bodies } = run(library, ['stats']).json as unknown as {
      bodies: { body: string; isos: { iso: number; gain: number; readNoise: number; hotPixels: number }[] }[];
    };
    const [body] = bodies;
    expect(body!.body).toContain('Tarnwick T3');
    const [at] = body!.isos;
    expect(at!.iso).toBe(3200);
    // The simulated body reads with 3.2 e-; three pairs of 1.5 megapixels tell it to some 10 %.
    expect(Math.abs(at!.readNoise / 3.2 - 1)).toBeLessThan(0.2);
    expect(at!.hotPixels).toBeGreaterThan(100);
  });

  it('copies nothing when the card comes a second time (P51)', () => {
    const again = run(library, ['import', join(scratch, 'card')]);
    expect(again.json.import.copied).toBe(0);
    expect(again.json.import.alreadyInLibrary).toBe(again.json.import.found);
  });

  it('keeps the photographer’s own verdict over the measured one', () => {
    const frame = shown.sequences
      .flatMap((s: Json) => s.frames)
      .find((f: Frame) => f.verdict === 'drop' && f.reasons[0]!.code === 'cloud');
    expect(run(library, ['keep', frame.id]).status).toBe(0);
    const after = run(library, ['show', 'latest'])
      .json.sequences.flatMap((s: Json) => s.frames)
      .find((f: Frame) => f.id === frame.id);
    expect([after.verdict, after.verdictBy]).toEqual(['keep', 'person']);
    run(library, ['undecide', frame.id]);
    const back = run(library, ['show', 'latest'])
      .json.sequences.flatMap((s: Json) => s.frames)
      .find((f: Frame) => f.id === frame.id);
    expect([back.verdict, back.verdictBy]).toEqual(['drop', 'measured']);
  });

  it('checks the library sound', () => {
    const checked = run(library, ['check']);
    expect(checked.json.missing).toEqual([]);
    expect(checked.json.changed).toEqual([]);
  });
});
