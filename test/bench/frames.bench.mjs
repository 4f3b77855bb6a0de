// A 24-megapixel DNG to a mosaic beside the RAW decoder alone, and a 24-megapixel JPEG to linear light beside
// the JPEG codec alone (one thread on both sides). Usage: node test/bench/frames.bench.mjs [--rounds 9]
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { cpus, totalmem } from 'node:os';
import { pathToFileURL } from 'node:url';
import libraw from 'libraw-wasm/dist/libraw.js';
import sharp from 'sharp';
import { seededRandom, srgbDecode } from '../../dist/src/core/index.js';
import { provideRawDecoder, readPixels, writeDng } from '../../dist/src/frames/index.js';

const CFA = { width: 2, height: 2, colors: [0, 1, 1, 2] };
const BLACK = 512;

/** A dark sky with noise and stars, 16 bits a pixel. */
function nightSky(width, height, seed) {
  const random = seededRandom(seed);
  const data = new Uint16Array(width * height);
  for (let i = 0; i < data.length; i++) data[i] = BLACK + 200 + Math.floor(150 * random());
  for (let n = 0; n < data.length / 4000; n++) data[Math.floor(random() * data.length)] = 15_000;
  return data;
}

/** Times two ways turn about, so that both meet the same machine; s. */
async function turnAbout(ours, alone, rounds) {
  const times = { ours: [], alone: [], ratio: [] };
  for (let round = 0; round <= rounds; round++) {
    const took = {};
    // Each goes first as often as the other.
    const order = round % 2 === 0 ? ['ours', 'alone'] : ['alone', 'ours'];
    for (const side of order) {
      globalThis.gc?.();
      const start = performance.now();
      await (side === 'ours' ? ours : alone)();
      took[side] = (performance.now() - start) / 1000;
    }
    if (round === 0) continue; // warming up
    times.ours.push(took.ours);
    times.alone.push(took.alone);
    times.ratio.push(took.ours / took.alone);
  }
  return times;
}

const median = (list) => [...list].sort((a, b) => a - b)[list.length >> 1];

function show(name, size, times, goal) {
  const [a, b] = [median(times.ours), median(times.alone)];
  const least = Math.min(...times.ours) / Math.min(...times.alone);
  console.log(
    `${name} | ${size} | ours ${a.toFixed(3)} s | alone ${b.toFixed(3)} s | ratio ${median(times.ratio).toFixed(2)} (of the quickest ${least.toFixed(2)}; goal ${goal})`,
  );
}

export async function bench(options) {
  const [width, height] = options.full ? [6000, 4000] : [1200, 800];
  const rounds = options.rounds ?? (options.full ? 9 : 3);
  const size = `${((width * height) / 1e6).toFixed(1)} MP`;
  const data = nightSky(width, height, 1);

  const wasmBinary = readFileSync(createRequire(import.meta.url).resolve('libraw-wasm/dist/libraw.wasm'));
  provideRawDecoder(wasmBinary);
  const { LibRaw } = await libraw({ wasmBinary, print: () => {}, printErr: () => {} });
  const dng = writeDng({
    width,
    height,
    data,
    cfa: CFA,
    blackLevel: BLACK,
    whiteLevel: 16_383,
    colorMatrix: [1, 0, 0, 0, 1, 0, 0, 0, 1],
    asShotNeutral: [0.5, 1, 0.6],
    exif: { cameraModel: 'T1' },
  });
  const decodeAlone = () => {
    const decoder = new LibRaw();
    try {
      decoder.open(dng, { noAutoBright: true, outputBps: 16 });
      return decoder.rawImageData().data;
    } finally {
      decoder.delete();
    }
  };
  // Right before fast: our mosaic is the decoder's less the black level, value for value.
  const mosaic = await readPixels(dng, 'bench.dng');
  const raw = decodeAlone();
  const samples = raw instanceof Uint16Array ? raw : new Uint16Array(raw.slice().buffer);
  if (mosaic.kind !== 'mosaic' || mosaic.data.length !== samples.length)
    throw new Error('the mosaic has another size than the decoder says');
  for (let i = 0; i < samples.length; i++) {
    if (mosaic.data[i] !== samples[i] - BLACK)
      throw new Error(`pixel ${i} is ${mosaic.data[i]}, the decoder says ${samples[i] - BLACK}`);
  }
  console.log('case | size | median | median | ratio');
  show(
    'uncompressed DNG to mosaic',
    size,
    await turnAbout(() => readPixels(dng, 'bench.dng'), decodeAlone, rounds),
    1.3,
  );

  const rgb = new Uint8Array(3 * width * height);
  for (let i = 0; i < data.length; i++) rgb.fill(Math.min(255, (data[i] - BLACK) >> 3), 3 * i, 3 * i + 3);
  sharp.cache(false);
  sharp.concurrency(1);
  const jpeg = await sharp(rgb, { raw: { width, height, channels: 3 } })
    .jpeg({ quality: 92 })
    .toBuffer();
  const codecAlone = () => sharp(jpeg, { sequentialRead: true }).raw().toBuffer();
  const linear = await readPixels(jpeg, 'bench.jpg');
  const codes = await codecAlone();
  const count = width * height;
  for (let i = 0; i < count; i += 997) {
    for (let plane = 0; plane < 3; plane++) {
      const want = srgbDecode(codes[3 * i + plane] / 255);
      const got = linear.data[plane * count + i] / linear.whiteLevel[plane];
      // 1e-6: one rounding to 32 bits each side.
      if (!(Math.abs(got - want) < 1e-6)) throw new Error(`pixel ${i} is ${got}, expected ${want}`);
    }
  }
  const ours = () => readPixels(jpeg, 'bench.jpg');
  // The codec asked for the same result, linear light in 32-bit floats, and for its bare 8-bit codes.
  const lightAlone = () =>
    sharp(jpeg, { sequentialRead: true }).toColourspace('scrgb').raw({ depth: 'float' }).toBuffer();
  show('JPEG to linear light, codec to linear light', size, await turnAbout(ours, lightAlone, rounds), 1.3);
  show('JPEG to linear light, codec to 8-bit codes', size, await turnAbout(ours, codecAlone, rounds), 1.3);
}

if (import.meta.url === pathToFileURL(process.argv[1] ?? '').href) {
  const at = process.argv.indexOf('--rounds');
  console.log(
    `node ${process.version} | V8 ${process.versions.v8} | ${cpus()[0].model.trim()} x ${cpus().length} | ${Math.round(totalmem() / 2 ** 30)} GiB`,
  );
  await bench({ full: true, ...(at > 0 ? { rounds: Number(process.argv[at + 1]) } : {}) });
}
