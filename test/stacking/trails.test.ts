import { describe, expect, it } from 'vitest';
import { type Alignment, skyStep } from '../../src/alignment/index.js';
import {
  bridgeSteps,
  bringBack,
  dimStars,
  FLAT_SURFACE,
  type StackFrame,
  type Surface,
  taperAt,
} from '../../src/stacking/index.js';
import { gridOf } from './support.js';

const [WIDTH, HEIGHT] = [900, 600];

/** Two frames of a lens that looks at the pole from the side, the sky turned by `turn` rad between them. */
function turnedPair(turn: number): Alignment {
  const pole = [0, -Math.sin(1), Math.cos(1)] as const;
  const [x, y, z] = pole;
  const [c, s] = [Math.cos(turn), Math.sin(turn)];
  const k = 1 - c;
  // Rodrigues' rotation about the pole.
  const rotation = [
    ...[c + x * x * k, x * y * k - z * s, x * z * k + y * s],
    ...[y * x * k + z * s, c + y * y * k, y * z * k - x * s],
    ...[z * x * k - y * s, z * y * k + x * s, c + z * z * k],
  ];
  const still = { x: 0, y: 0, rotation: 0 };
  const frame = { status: 'fitted', segment: 0, rms: 0, cornerRms: 0, matched: 9 } as const;
  const rest = { offset: still, headMotion: still };
  return {
    ...{ width: WIDTH, height: HEIGHT, method: 'sky-motion', referenceIndex: 0, segmentCount: 1 },
    ...{ rms: 0, cornerRms: 0, zones: [], trackCount: 0, trackRows: new Int32Array(0), notes: [] },
    model: {
      lens: {
        ...{ projection: 'rectilinear', focalLengthPx: 1000, centerX: 450, centerY: 300, k1: 0, k2: 0 },
      },
      pole,
      lowOrder: [0, 0, 0, 0],
    },
    frames: [
      { id: 'a', rotation: [1, 0, 0, 0, 1, 0, 0, 0, 1], turn: 0, ...frame, ...rest },
      { id: 'b', rotation, turn, ...frame, ...rest },
    ],
  };
}

describe('skyStep', () => {
  const turn = 0.02;
  const step = skyStep(turnedPair(turn), 0, 1)!;

  it('tells the angle that the sky turned', () => {
    expect(step.angle).toBeCloseTo(turn, 9); // 9 digits: the logarithm of a rotation, double precision
  });

  it('carries a star half way to where half the turn brings it', () => {
    const half = skyStep(turnedPair(turn / 2), 0, 1)!.ahead(1);
    for (const [x, y] of [
      [10, 20],
      [450, 300],
      [880, 590],
    ] as const) {
      const [u, v] = step.ahead(0.5)(x, y);
      const [wantX, wantY] = half(x, y);
      expect(Math.hypot(u - wantX, v - wantY)).toBeLessThan(1e-6); // px; the same rotation by another way
    }
  });

  it('goes back the way it went ahead', () => {
    const [u, v] = step.ahead(0.7)(700, 100);
    const [x, y] = step.back(0.7)(u, v);
    expect(Math.hypot(x - 700, y - 100)).toBeLessThan(1e-6); // px; lens inverse good to 1e-11 focal lengths
  });

  it('goes straight where no sky-motion model holds', () => {
    const pair = turnedPair(turn);
    const { model: _model, ...plain } = pair;
    const shift = [1, 0, 6, 0, 1, -4, 0, 0, 1];
    const plane = skyStep(
      { ...plain, frames: [pair.frames[0]!, { ...pair.frames[1]!, homography: shift }] },
      0,
      1,
    )!;
    expect(plane.ahead(0.5)(100, 100)).toEqual([103, 98]);
    const [x, y] = plane.back(0.5)(103, 98);
    expect(Math.hypot(x - 100, y - 100)).toBeLessThan(1e-9); // px; a shift is undone exactly
    expect(plane.angle).toBeUndefined();
  });
});

describe('taperAt', () => {
  it('leaves trails whole when none is asked for', () => {
    expect([0, 4, 9].map((i) => taperAt(i, 10, undefined))).toEqual([1, 1, 1]);
  });
  it('fades the start alone, the end alone, or both', () => {
    expect(taperAt(0, 31, 'start')).toBeLessThan(0.05);
    expect(taperAt(30, 31, 'start')).toBe(1);
    expect(taperAt(0, 31, 'end')).toBe(1);
    expect(taperAt(30, 31, 'end')).toBeLessThan(0.05);
    expect(taperAt(15, 31, 'both')).toBe(1);
  });
  it('never grows fainter from the start to the middle', () => {
    const shares = Array.from({ length: 16 }, (_, i) => taperAt(i, 31, 'both'));
    expect(shares).toEqual([...shares].sort((a, b) => a - b));
  });
});

describe('dimStars', () => {
  it('dims what stands above the sky and leaves the sky as it is', () => {
    const sky: Surface = [500, 20, 0, 0, 0, 0];
    const level: Surface = [30, 0, -5, 0, 0, 0];
    const frame: StackFrame = {
      ...{ id: 'a', grid: gridOf(8, 8, (x, y) => [x, y]), scale: 2, weight: 1 },
      level: [level, level, level],
      variance: [0, 1, 2].map(() => ({ constant: 1, slope: 0 })) as unknown as StackFrame['variance'],
    };
    const dimmed = dimStars(frame, 0.25, [sky, sky, sky]);
    // At the middle the sky of this frame is (500 + 30) / 2 before scaling; a star adds 100.
    const shown = (of: StackFrame, value: number) => of.scale * value - of.level![0]![0];
    expect(shown(dimmed, 265)).toBeCloseTo(500, 9);
    expect(shown(dimmed, 365)).toBeCloseTo(500 + 0.25 * 200, 9); // 9 digits: exact but for rounding
    expect(dimStars(frame, 1, [FLAT_SURFACE, FLAT_SURFACE, FLAT_SURFACE])).toBe(frame);
  });
});

describe('bridgeSteps', () => {
  it('reaches a little beyond the middle of a dash, in steps no longer than the trail allows (P23)', () => {
    const steps = bridgeSteps(20, 8);
    expect(steps.at(-1)).toBeCloseTo(11.5, 9); // half the dash and half a star's width
    const gaps = steps.map((px, i) => px - (steps[i - 1] ?? 0));
    expect(Math.max(...gaps)).toBeLessThanOrEqual(5); // trail less the overlap of 3 px
  });
  it('goes on by single px where stars are points', () => {
    const steps = bridgeSteps(4, 1);
    expect(Math.max(...steps.map((px, i) => px - (steps[i - 1] ?? 0)))).toBeLessThanOrEqual(1);
  });
});

describe('bringBack', () => {
  const size = 64;
  const flat = (level: number) => ({
    ...{ width: size, height: size, data: new Float32Array(3 * size * size).fill(level) },
  });
  const line = { x1: 10, y1: 32, x2: 50, y2: 32, width: 3 };
  const rect = { x0: 0, y0: 0, width: size, height: size };

  it('brings a meteor back and touches nothing away from it (P36)', () => {
    const image = flat(100);
    const frame = flat(100);
    for (let x = 10; x <= 50; x++) for (let c = 0; c < 3; c++) frame.data[(c * size + 32) * size + x] = 900;
    frame.data[5 * size + 5] = 5000;
    bringBack(image, { rect, image: frame }, line);
    expect(image.data[32 * size + 30]).toBe(900);
    expect(image.data[5 * size + 5]).toBe(100);
    expect(image.data[32 * size + 62]).toBe(100);
  });
  it('never makes the picture darker, and keeps out of the land', () => {
    const image = flat(100);
    const frame = flat(40);
    for (let x = 10; x <= 50; x++) for (let c = 0; c < 3; c++) frame.data[(c * size + 32) * size + x] = 900;
    const share = { width: size, height: size, data: new Float32Array(size * size) };
    for (let y = 0; y < size; y++) share.data.fill(1, y * size + 40, (y + 1) * size);
    bringBack(image, { rect, image: frame }, line, share);
    expect(Math.min(...image.data)).toBe(100);
    expect(image.data[32 * size + 45]).toBe(100);
    expect(image.data[32 * size + 30]).toBe(900);
  });
});
