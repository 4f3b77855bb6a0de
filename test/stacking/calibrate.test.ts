import { describe, expect, it } from 'vitest';
import { DataError, type FramePixels, gaussian, poisson, seededRandom } from '../../src/core/index.js';
import { readPixels, writeDng } from '../../src/frames/index.js';
import {
  calibrate,
  compareMaster,
  createDefectFinder,
  defectsFromDark,
  inCameraDark,
  isUsable,
  makeMaster,
  masterNoiseFactor,
} from '../../src/stacking/index.js';
import { noiseFrame, RGGB, spreadOf } from './support.js';

const W = 120;
const H = 80;

function mosaic(data: Float32Array, extra: Partial<FramePixels> = {}): FramePixels {
  return {
    ...{ kind: 'mosaic', width: W, height: H, data, cfa: RGGB, blackLevel: [512] },
    ...{ whiteLevel: [15000, 15000, 15000], quantization: 1, decoder: 'test 1', warnings: [] },
    ...extra,
  };
}

const constant = (value: number): Float32Array => new Float32Array(W * H).fill(value);

describe('calibrate', () => {
  it('leaves a light as it is with zero dark, zero bias and a flat of ones', () => {
    const data = noiseFrame(1, W, H, 100, 30);
    const dark = makeMaster([{ pixels: mosaic(constant(0)) }], { kind: 'dark' });
    const flat = makeMaster([{ pixels: mosaic(constant(7000)) }], { kind: 'flat' });
    const out = calibrate(mosaic(data), { dark, flat });
    expect(out.data).toEqual(data);
    expect(out.data).not.toBe(data);
  });

  it('undoes black left over, dark current, dust and per-colour shading; black goes once and negatives stay (L05)', () => {
    const random = seededRandom(2);
    const sky = Float32Array.from({ length: W * H }, () => 40 * gaussian(random));
    const dark = Float32Array.from({ length: W * H }, () => 20 + 300 * random());
    const shade = Float32Array.from({ length: W * H }, (_, i) => {
      const x = i % W;
      const y = Math.floor(i / W);
      const dust = (x - 30) ** 2 + (y - 20) ** 2 < 40 ? 0.8 : 1;
      const fall = 1 - 0.5 * (((x - W / 2) / W) ** 2 + ((y - H / 2) / H) ** 2);
      return dust * fall * [0.9, 1, 1, 0.7][(y % 2) * 2 + (x % 2)]!;
    });
    const light = sky.map((v, i) => v * shade[i]! + dark[i]!);
    const masterDark = makeMaster([{ pixels: mosaic(dark) }], { kind: 'dark' });
    const flat = makeMaster([{ pixels: mosaic(shade.map((v, i) => 8000 * v + dark[i]!)) }], {
      kind: 'flat',
      subtract: masterDark,
    });
    const out = calibrate(mosaic(light), { dark: masterDark, flat });
    expect(Math.min(...out.data)).toBeLessThan(-80);
    // Each colour is 1 in the middle, so the sky comes back with a factor of its colour alone.
    const ratios = [0, 1, 3].map((site) => {
      const values: number[] = [];
      for (let i = 0; i < sky.length; i++) {
        const s = (Math.floor(i / W) % 2) * 2 + ((i % W) % 2);
        if (s === site && Math.abs(sky[i]!) > 20) values.push(out.data[i]! / sky[i]!);
      }
      return { low: Math.min(...values), high: Math.max(...values) };
    });
    for (const { low, high } of ratios) expect(high / low).toBeLessThan(1.0005); // f32 on values of 9000 and 20
  });

  it('scales a dark only with a bias', () => {
    const dark = makeMaster([{ pixels: mosaic(constant(110)) }], { kind: 'dark' });
    const bias = makeMaster([{ pixels: mosaic(constant(10)) }], { kind: 'bias' });
    const light = mosaic(constant(1060));
    expect(calibrate(light, { dark, bias, darkScale: 0.5 }).data[0]).toBe(1000);
    expect(() => calibrate(light, { dark, darkScale: 0.5 })).toThrow(DataError);
  });

  it('refuses a master of another size, pattern or decoder (L07)', () => {
    const dark = makeMaster([{ pixels: mosaic(constant(1)) }], { kind: 'dark' });
    const other = mosaic(constant(1), { decoder: 'test 2' });
    expect(() => calibrate(other, { dark })).toThrow(/decoder test 1 against test 2/);
  });

  it('takes row offsets off and leaves a gradient and a bright half alone (P19)', () => {
    const random = seededRandom(3);
    const offsets = Float32Array.from({ length: H }, () => 8 * gaussian(random));
    const truth = Float32Array.from({ length: W * H }, (_, i) => 100 + (i % W) + 0.5 * Math.floor(i / W));
    const light = truth.map((v, i) => v + offsets[Math.floor(i / W)]!);
    const out = calibrate(mosaic(light), { banding: 'rows' });
    const left = out.data.map((v, i) => v - truth[i]!);
    // A row is held against the median of 16 offsets around it: sigma 8 x 1.25 / 4 = 2.5 is left, common to neighbours.
    let steps = 0;
    for (let y = 20; y < H - 20; y += 2) steps += (left[(y + 2) * W]! - left[y * W]!) ** 2;
    expect(Math.sqrt(steps / ((H - 40) / 2))).toBeLessThan(2.5); // was 8 x sqrt(2) = 11
  });
});

describe('banding from the masked border', () => {
  const [left, top] = [34, 22];
  const noise = 3;
  /** A frame as a camera writes it, read back: offsets of rows, a fixed pattern of rows, and one bright row that is real. */
  async function shoot(seed: number, light: number, fixed: (y: number) => number) {
    const random = seededRandom(seed);
    const [width, height] = [W + left, H + top];
    const offsets = Float32Array.from({ length: height }, () => 6 * gaussian(random));
    const data = Uint16Array.from({ length: width * height }, (_, i) => {
      const [x, y] = [i % width, Math.floor(i / width)];
      const lit = x >= left && y >= top ? light * (y === top + 40 ? 3 : 1) : 0;
      return Math.round(512 + offsets[y]! + fixed(y) + lit + noise * gaussian(random));
    });
    const bytes = writeDng({
      ...{ width, height, data, cfa: RGGB, blackLevel: 512, whiteLevel: 15000, exif: {} },
      activeArea: { left, top, width: W, height: H },
      colorMatrix: [0.8, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.7],
      asShotNeutral: [0.5, 1, 0.65],
    });
    const pixels = await readPixels(bytes, 'a.dng');
    return { pixels, offsets: offsets.subarray(top) };
  }
  const rowMeans = (data: Float32Array) =>
    Float32Array.from({ length: H }, (_, y) => {
      const row = data.subarray(y * W, (y + 1) * W);
      return row.reduce((sum, value) => sum + value, 0) / W;
    });
  const sd = (values: Float32Array) => {
    const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
    return Math.sqrt(values.reduce((sum, value) => sum + (value - mean) ** 2, 0) / values.length);
  };

  it('takes row offsets off and leaves what is real in a row, which the picture alone would take for an offset', async () => {
    const { pixels } = await shoot(11, 50, () => 0);
    expect(pixels.darkBorder?.rows?.values).toHaveLength(H);
    expect(pixels.darkBorder?.columns?.values).toHaveLength(W);
    const rows = rowMeans(calibrate(pixels, { banding: 'rows' }).data);
    const quiet = rows.filter((_, y) => y !== 40);
    // 24 masked pixels, the middle three quarters: 3 / sqrt(24) x 1.05 = 0.65 by chance, and 3 / sqrt(120) = 0.27 of the row itself.
    expect(sd(quiet)).toBeLessThan(1); // was 6
    expect(rows[40]! - quiet.reduce((sum, value) => sum + value, 0) / quiet.length).toBeGreaterThan(95); // truth 100
    const alone = rowMeans(calibrate({ ...pixels, darkBorder: {} }, { banding: 'rows' }).data);
    expect(alone[40]! - alone[38]!).toBeLessThan(20);
  });

  it('leaves columns alone where the border shows no more than chance', async () => {
    const { pixels } = await shoot(12, 50, () => 0);
    const out = calibrate(pixels, { banding: 'columns' }).data;
    const changed = out.some((value, i) => Math.abs(value - pixels.data[i]!) > 3);
    // Without trust in the border the picture's own medians are used: columns of 80 px, 3 x 1.25 / sqrt(40) each.
    expect(changed).toBe(false);
  });

  it('a pattern that dark and light share goes once', async () => {
    const fixed = (y: number) => 5 * ((y * 7) % 5);
    const darks = await Promise.all(Array.from({ length: 12 }, (_, k) => shoot(20 + k, 0, fixed)));
    const dark = makeMaster(darks, { kind: 'dark' });
    expect(dark.darkBorder?.rows?.values).toHaveLength(H);
    const { pixels } = await shoot(13, 50, fixed);
    const rows = rowMeans(calibrate(pixels, { dark, banding: 'rows' }).data).filter((_, y) => y !== 40);
    // Chance of one border, and of 12 darks' borders and rows against each other: 0.65 and 0.65 / sqrt(12).
    expect(sd(rows)).toBeLessThan(1);
  });
});

describe('createMaster', () => {
  it('keeps what is hot in every frame and drops a hit in one (L69)', () => {
    const frames = Array.from({ length: 8 }, (_, f) => {
      const data = noiseFrame(50 + f, W, H, 10, 3);
      data[777] = 5000 + f;
      if (f === 3) data[1234] = 9000;
      return { pixels: mosaic(data) };
    });
    const dark = makeMaster(frames, { kind: 'dark' });
    expect(dark.data[777]).toBeCloseTo(5003.5, 1); // mean of 5000..5007
    expect(Math.abs(dark.data[1234]! - 10)).toBeLessThan(5); // 4 sigma of a mean of 7
    expect(dark.clipped).toBeGreaterThanOrEqual(1);
    expect(dark.spread).toBeGreaterThan(2.8); // truth 3; median of a chi with 7 degrees is 5 % low
    expect(dark.spread).toBeLessThan(3.1);
    expect(spreadOf(dark.data, W, 6, 0).sd).toBeCloseTo(3 / Math.sqrt(8), 0); // 6 rows, 4 % + a hot pixel-free part
  });

  it('states the noise a master adds (P15)', () => {
    expect(masterNoiseFactor(1)).toBeCloseTo(Math.SQRT2, 12); // exact
    expect(masterNoiseFactor(16)).toBeCloseTo(1.030776, 6); // sqrt(17/16)
  });

  it('rejects frames that do not belong together and an empty list', () => {
    const small = { ...mosaic(constant(1)), width: W / 2, height: 2 * H };
    expect(() => makeMaster([{ pixels: mosaic(constant(1)) }, { pixels: small }], { kind: 'dark' })).toThrow(
      /size 120x80 against 60x160/,
    );
    expect(() => makeMaster([], { kind: 'dark' })).toThrow(DataError);
  });
});

describe('compareMaster', () => {
  const header = { exposureTime: 20, iso: 1600, temperature: 12, camera: 'Heron 7' };
  const dark = makeMaster([{ pixels: mosaic(constant(1)), header }], { kind: 'dark' });
  const light = { width: W, height: H, cfa: RGGB, decoder: 'test 1' };

  it('refuses another exposure, ISO, camera or temperature with the reason, and takes them when forced (P13)', () => {
    const what = (change: object): string[] =>
      compareMaster(dark, { ...light, header: { ...header, ...change } }).map(
        ({ what: name, effect }) => `${name} ${effect}`,
      );
    expect(what({})).toEqual([]);
    expect(what({ exposureTime: 30 })).toEqual(['exposure refuse']);
    expect(what({ exposureTime: 21 })).toEqual([]);
    expect(what({ iso: 3200 })).toEqual(['iso refuse']);
    expect(what({ temperature: 18 })).toEqual(['temperature refuse']);
    expect(what({ temperature: 16.5 })).toEqual([]);
    expect(what({ camera: 'Heron 8' })).toEqual(['camera refuse']);
    const found = compareMaster(dark, { ...light, header: { ...header, temperature: 22 } });
    expect(found[0]!.text).toBe(
      'The master dark was shot at 12 deg C, the light at 22 deg C, more than 5 apart.',
    );
    expect(isUsable(found)).toBe(false);
    expect(isUsable(found, true)).toBe(true);
  });

  it('warns of the unknown and never takes another geometry (P14)', () => {
    const unknown = compareMaster(dark, { ...light, header: {} });
    expect(unknown.map(({ effect }) => effect)).toEqual(['warn', 'warn', 'warn']);
    expect(isUsable(unknown)).toBe(true);
    const other = compareMaster(dark, { ...light, width: W + 2, header });
    expect(isUsable(other, true)).toBe(false);
  });
});

describe('inCameraDark', () => {
  it('knows it from the note and suspects it from the cadence (P17)', () => {
    expect(inCameraDark({ noted: true })).toBe('certain');
    expect(inCameraDark({ noted: false, exposureTime: 15, cadence: 33 })).toBe('no');
    expect(inCameraDark({ exposureTime: 15, cadence: 33 })).toBe('likely');
    expect(inCameraDark({ exposureTime: 15, cadence: 17 })).toBe('no');
    expect(inCameraDark({ exposureTime: 15, cadence: 60 })).toBe('no');
    expect(inCameraDark({})).toBe('unknown');
  });
});

describe('defects', () => {
  /** Poisson sky, moving stars, a lamp on the land and defects that stay. */
  function run(count: number): { frames: Float32Array[]; truth: number[]; lamp: number } {
    const random = seededRandom(8);
    const truth = Array.from({ length: 60 }, () => {
      const x = 4 + Math.floor(random() * (W - 8));
      const y = 4 + Math.floor(random() * (H - 8));
      return y * W + x;
    });
    const size = truth.map((_, k) => (k % 2 ? 4000 : 150)); // 8 and 200 sigma
    const stars = Array.from({ length: 40 }, () => [random() * W, random() * H, 3000 * random()] as const);
    const lamp = 60 * W + 90;
    const frames = Array.from({ length: count }, (_, f) => {
      const data = Float32Array.from({ length: W * H }, () => poisson(random, 400));
      const put = (x: number, y: number, flux: number): void => {
        for (let j = -4; j <= 4; j++) {
          for (let i = -4; i <= 4; i++) {
            const px = Math.round(x) + i;
            const py = Math.round(y) + j;
            if (px < 0 || py < 0 || px >= W || py >= H) continue;
            const r2 = (px - x) ** 2 + (py - y) ** 2;
            data[py * W + px] = data[py * W + px]! + (flux / 9) * Math.exp(-r2 / 2.9);
          }
        }
      };
      for (const [x, y, flux] of stars) put((x + 2.2 * f) % W, (y + 0.8 * f) % H, flux);
      put(lamp % W, Math.floor(lamp / W), 9000);
      truth.forEach((at, k) => {
        data[at] = data[at]! + size[k]!;
      });
      return data;
    });
    return { frames, truth, lamp };
  }

  it('are found in the run itself while stars move and a lamp stays (P16)', () => {
    const { frames, truth, lamp } = run(11);
    const finder = createDefectFinder({ width: W, height: H, cfa: RGGB });
    for (const data of frames) finder.add({ data });
    const found = new Set(finder.finish().index);
    const hits = truth.filter((at) => found.has(at)).length;
    expect(hits).toBeGreaterThanOrEqual(54); // of 60: at this density some are each other's neighbours
    for (let j = -2; j <= 2; j++)
      for (let i = -2; i <= 2; i++) expect(found.has(lamp + j * W + i)).toBe(false);
    expect(found.size - hits).toBeLessThanOrEqual(2); // false alarms among 9600 pixels
  });

  it('are found in a dark and repaired from their own colour (P12, L17)', () => {
    const hot = [10 * W + 10, 10 * W + 12, 31 * W + 41, 0, W * H - 1];
    const dark = makeMaster(
      Array.from({ length: 6 }, (_, f) => {
        const data = noiseFrame(70 + f, W, H, 5, 4);
        for (const at of hot) data[at] = 3000;
        return { pixels: mosaic(data) };
      }),
      { kind: 'dark' },
    );
    const defects = defectsFromDark(dark);
    expect([...defects.index].sort((a, b) => a - b)).toEqual([10 * W + 10, 10 * W + 12, 31 * W + 41]);
    const all = { ...defects, index: Int32Array.from(hot) };
    // A colour per site: a repair from another colour would show.
    const light = Float32Array.from({ length: W * H }, (_, i) => {
      return [100, 200, 200, 400][(Math.floor(i / W) % 2) * 2 + ((i % W) % 2)]!;
    });
    const truth = light.slice();
    for (const at of hot) light[at] = 15000;
    expect(calibrate(mosaic(light), { defects: all }).data).toEqual(truth);
  });
});
