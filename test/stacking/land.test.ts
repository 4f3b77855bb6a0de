import { beforeAll, describe, expect, it } from 'vitest';
import { colorPlane, type Mask, madSigma, makePlane, median, seededRandom } from '../../src/core/index.js';
import { type Kernels, loadKernelsFromDisk } from '../../src/kernels/index.js';
import {
  composeLand,
  growMask,
  type LandMask,
  refineLandMask,
  type StackLayer,
  shareFromPicture,
  softEdge,
} from '../../src/stacking/index.js';
import { makeNight, type Night, prepare, randomStars } from './night.js';
import { stackWhole } from './support.js';

let kernels: Kernels;
beforeAll(async () => {
  kernels = await loadKernelsFromDisk();
});

const W = 440;
const H = 330;
const COUNT = 12;

/** Mountain, tree line and a pole; texture of the land. */
const random = seededRandom(31);
const texture = Float32Array.from({ length: W * H }, () => random());
const trees = Array.from({ length: 22 }, (_, k) => ({ x: 230 + 9 * k, top: 205 + 14 * random() }));

function isLand(x: number, y: number): boolean {
  const ridge = 262 - 50 * Math.exp(-(((x - 110) / 60) ** 2)) - 8 * Math.sin(x / 17);
  if (y > ridge) return true;
  if (Math.abs(x - 330.5) < 1.6 && y > 140) return true;
  return trees.some((tree) => y > tree.top && Math.abs(x - tree.x) < (y - tree.top) * 0.16 + 0.8);
}

/** Land share by 4 x 4 sub-pixels. */
const SHARE = Float32Array.from({ length: W * H }, (_, at) => {
  let n = 0;
  for (let k = 0; k < 16; k++) {
    if (isLand((at % W) + ((k % 4) - 1.5) / 4, Math.floor(at / W) + (Math.floor(k / 4) - 1.5) / 4)) n++;
  }
  return n / 16;
});
const landLevel = (x: number, y: number): number => {
  const coarse = Math.sin(x / 3.1) * Math.sin(y / 2.7) + Math.sin((x + 2 * y) / 9);
  return 220 + 40 * coarse + 40 * (texture[y * W + x]! - 0.5);
};

function makeLandNight(): Night {
  const stars = randomStars(17, 120, { width: W, height: H, brightest: 60000, magnitudes: 6 });
  return makeNight({
    ...{ width: W, height: H, frames: COUNT, stars, turn: 0.006 },
    sky: (f, _u, v) => 800 + 120 * v + 6 * f,
    land: (x, y) => ({ share: SHARE[y * W + x]!, level: landLevel(x, y) }),
  });
}

/** A first mask as a coarse finder gives it: blocks of 8 px, no pole. */
function firstMask(): Mask {
  const data = new Uint8Array(W * H);
  for (let y = 0; y < H; y++) {
    for (let x = 0; x < W; x++) {
      const [bx, by] = [8 * Math.floor(x / 8), 8 * Math.floor(y / 8)];
      let n = 0;
      for (let k = 0; k < 64; k++)
        n += SHARE[Math.min(H - 1, by + (k >> 3)) * W + Math.min(W - 1, bx + (k % 8))]!;
      data[y * W + x] = n > 36 ? 1 : 0;
    }
  }
  return { width: W, height: H, data };
}

describe('a stack with land', () => {
  let night: Night;
  let land: StackLayer;
  let sky: StackLayer;
  let found: LandMask;

  beforeAll(() => {
    night = makeLandNight();
    const first = firstMask();
    const { input, read } = prepare(night, { mask: first });
    land = stackWhole(input, read, kernels, { layers: 'land' }).land;
    found = refineLandMask(first, land.image);
    sky = stackWhole({ ...input, landMask: growMask(found.mask, 2) }, read, kernels, { layers: 'sky' }).sky;
  });

  it('finds the edge in 99 % of pixels more than 5 px from it, and the pole itself (P09)', () => {
    let wrong = 0;
    let all = 0;
    let pole = 0;
    for (let y = 5; y < H - 5; y++) {
      for (let x = 5; x < W - 5; x++) {
        const truth = SHARE[y * W + x]! >= 0.5;
        let near = false;
        for (let j = -5; j <= 5 && !near; j++) {
          for (let i = -5; i <= 5 && !near; i++) near = SHARE[(y + j) * W + x + i]! >= 0.5 !== truth;
        }
        if (near) continue;
        all++;
        if ((found.mask.data[y * W + x] === 1) !== truth) wrong++;
      }
    }
    for (let y = 145; y < 200; y++) pole += found.mask.data[y * W + 330]!;
    expect(wrong / all).toBeLessThan(0.01); // required
    expect(pole / 55).toBeGreaterThan(0.9); // a pole 3 px wide that the first mask does not have
  });

  it('keeps the detail of the land: 0.98 of the best average of single frames', () => {
    const best = new Float32Array(W * H);
    for (const pixels of night.pixels)
      for (let i = 0; i < best.length; i++) best[i]! += pixels.data[i]! / COUNT;
    // Greens of the mosaic are in the stack as they are; compare there.
    const pick = (data: Float32Array): number[] => {
      const values: number[] = [];
      for (let y = 290; y < H - 4; y++)
        for (let x = 4 + (y % 2 ? 0 : 1); x < W - 4; x += 2) values.push(data[y * W + x]!);
      return values;
    };
    const correlation = (a: number[], b: number[]): number => {
      const [ma, mb] = [a, b].map((v) => v.reduce((s, n) => s + n, 0) / v.length) as [number, number];
      let [ab, aa, bb] = [0, 0, 0];
      a.forEach((v, i) => {
        ab += (v - ma) * (b[i]! - mb);
        aa += (v - ma) ** 2;
        bb += (b[i]! - mb) ** 2;
      });
      return ab / Math.sqrt(aa * bb);
    };
    const truth = pick(
      Float32Array.from({ length: W * H }, (_, at) => landLevel(at % W, Math.floor(at / W))),
    );
    const ours = correlation(pick(colorPlane(land.image, 1).data), truth);
    expect(ours / correlation(pick(best), truth)).toBeGreaterThan(0.98); // required
  });

  it('shows one horizon and no step at the seam above 1 sigma', () => {
    const whole = composeLand({ sky: sky.image, land: land.image, share: found.share }, 'hold');
    const green = colorPlane(whole, 1).data;
    expect(green.every((v) => !Number.isNaN(v))).toBe(true);
    const noise = madSigma(
      Array.from({ length: 4000 }, (_, k) => {
        const at = (20 + (k % 80)) * W + 30 + Math.floor(k / 80) * 6;
        return green[at]! - green[at + 2]!;
      }),
    );
    // Sky 3 to 8 px above the edge against the truth there; a smeared or doubled horizon would darken it.
    const over: number[] = [];
    const far: number[] = [];
    const reference = night.reference;
    for (let x = 20; x < 210; x++) {
      let edge = 0;
      while (edge < H && SHARE[edge * W + x]! < 0.5) edge++;
      const offset = (y: number): number =>
        green[y * W + x]! - (800 + 120 * ((2 * y) / H - 1) + 6 * reference);
      for (let d = 3; d <= 8; d++) over.push(offset(edge - d));
      for (let d = 30; d <= 60; d += 5) far.push(offset(edge - d));
    }
    expect(Math.abs(median(over) - median(far))).toBeLessThan(noise / Math.SQRT2); // required: 1 sigma of a pixel
  });

  it('gives sky and land alone on request', () => {
    const parts = { sky: sky.image, land: land.image, share: found.share };
    const at = 300 * W + 100;
    expect(composeLand(parts, 'only').data[at]).toBe(land.image.data[at]);
    const none = composeLand(parts, 'none').data;
    expect(Object.is(none[at], sky.image.data[at])).toBe(true);
  });
});

describe("masks of the photographer's own", () => {
  it('are brought to the size of the frames with their soft edges', () => {
    const picture = makePlane(10, 10);
    picture.data.fill(255, 50);
    const { share, mask } = shareFromPicture(picture, { width: 40, height: 40 }, 255);
    expect(share.data[0]).toBe(0);
    expect(share.data[39 * 40]).toBe(1);
    expect(share.data[19 * 40 + 5]).toBeCloseTo(0.375, 6); // (19.5/4 - 0.5) - 4 of the way between rows 4 and 5
    expect(mask.data[19 * 40]).toBe(0);
    expect(mask.data[20 * 40]).toBe(1);
  });

  it('get a soft edge that is symmetric, or stay hard', () => {
    const data = Uint8Array.from({ length: 400 }, (_, i) => (i % 20 >= 10 ? 1 : 0));
    const mask = { width: 20, height: 20, data };
    const soft = softEdge(mask, 1.5).share.data;
    for (let k = 0; k < 10; k++) expect(soft[200 + k]! + soft[200 + 19 - k]!).toBeCloseTo(1, 5); // f32 sums
    expect([...softEdge(mask, 0).share.data]).toEqual([...data]);
  });
});
