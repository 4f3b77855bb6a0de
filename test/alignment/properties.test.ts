import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  type AlignFrame,
  alignSequence,
  inverseMapper,
  landMapper,
  mapper,
  matchPair,
  neighbourTrail,
  predictedPositions,
  predictedTrail,
  rememberedLens,
  warpGrid,
} from '../../src/alignment/index.js';
import { makeStarTable, STAR_FLAGS, seededRandom, selectStars } from '../../src/core/index.js';
import golden from '../golden/alignment-geometry.json' with { type: 'json' };
import { makeNight, type Scene } from './_truth.js';

const SCENE: Scene = {
  seed: 7,
  focalMm: 24,
  sensorMm: 22.3,
  width: 3000,
  height: 2000,
  latitude: 45,
  azimuth: 170,
  altitude: 40,
  frames: 8,
  cadence: 60,
  stars: 100,
  distortion: -0.02,
};
const night = makeNight(SCENE);
const options = { width: SCENE.width, height: SCENE.height, focalLengthPx: night.focalPx };
const alignment = alignSequence(night.frames, options);

/** Two tables of the same places, the second moved by an exact similarity. */
function movedPair(seed: number, move: (x: number, y: number) => [number, number]): [AlignFrame, AlignFrame] {
  const random = seededRandom(seed);
  const a = makeStarTable(60);
  for (let i = 0; i < 60; i++) {
    a.x[i] = random() * 2000;
    a.y[i] = random() * 1500;
    a.flux[i] = 1e5 / (i + 1);
    a.snr[i] = 200;
    a.positionError[i] = 0.03;
  }
  const b = selectStars(
    a,
    Array.from({ length: 60 }, (_, i) => i),
  );
  for (let i = 0; i < 60; i++) [b.x[i], b.y[i]] = move(a.x[i]!, a.y[i]!);
  return [
    { id: 'a', stars: a },
    { id: 'b', stars: b },
  ];
}

describe('matchPair', () => {
  it('finds any shift and turn that keeps most of the frame: solve(T(stars)) = T', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 1e6 }),
        fc.double({ min: -300, max: 300, noNaN: true }),
        fc.double({ min: -300, max: 300, noNaN: true }),
        fc.double({ min: -0.3, max: 0.3, noNaN: true }),
        (seed, tx, ty, turn) => {
          const c = Math.cos(turn);
          const s = Math.sin(turn);
          const [a, b] = movedPair(seed, (x, y) => [
            1000 + c * (x - 1000) - s * (y - 750) + tx,
            750 + s * (x - 1000) + c * (y - 750) + ty,
          ]);
          const match = matchPair(a.stars, b.stars, { width: 2000, height: 1500 })!;
          expect(match).toBeDefined();
          // Stars carried out of the frame need not match; of the others none may be wrong.
          for (let k = 0; k < match.rowsA.length; k++) expect(match.rowsB[k]).toBe(match.rowsA[k]);
          expect(match.rowsA.length).toBeGreaterThan(25);
        },
      ),
      { numRuns: 25 },
    );
  });

  it('matches no unrelated fields (L76)', () => {
    for (let seed = 1; seed <= 20; seed++) {
      const [a] = movedPair(seed, (x, y) => [x, y]);
      const [b] = movedPair(seed + 1000, (x, y) => [x, y]);
      expect(matchPair(a.stars, b.stars, { width: 2000, height: 1500 })).toBeUndefined();
    }
  });

  it('leaves land out and survives an aircraft of sixty bright detections (L76)', () => {
    const [a, b] = movedPair(5, (x, y) => [x + 12, y - 7]);
    const withJunk = (stars: typeof a.stars, offset: number) => {
      const rows = makeStarTable(stars.count + 260);
      for (const column of ['x', 'y', 'flux', 'snr', 'positionError', 'flags'] as const) {
        rows[column].set(stars[column] as never, 260);
      }
      for (let i = 0; i < 260; i++) {
        const aircraft = i < 60;
        rows.x[i] = aircraft ? 100 + 25 * i + offset * 40 : (i * 97) % 2000;
        rows.y[i] = aircraft ? 200 + 9 * i + offset * 300 : 1300 + ((i * 31) % 190);
        rows.flux[i] = 1e6;
        rows.positionError[i] = 0.05;
        rows.flags[i] = aircraft ? 0 : STAR_FLAGS.ON_LAND.bit;
      }
      return rows;
    };
    const match = matchPair(withJunk(a.stars, 0), withJunk(b.stars, 1), { width: 2000, height: 1500 })!;
    const right = match.rowsA.filter((row, k) => row >= 260 && match.rowsB[k] === row).length;
    expect(right).toBeGreaterThan(40);
    expect(match.rowsA.length - right).toBeLessThan(4); // chance neighbours of so many detections
  });
});

describe('alignSequence', () => {
  it('gives the same bytes when asked twice', () => {
    const again = alignSequence(night.frames, options);
    expect(JSON.stringify(again)).toBe(JSON.stringify(alignment));
  });

  it('agrees with the outside registration of the fixture pair (F-AL)', () => {
    const { stars, width, height, transform, expected } = golden.registration;
    const turn = (transform.rot_deg * Math.PI) / 180;
    const [cx, cy] = transform.about as [number, number];
    const [tx, ty] = transform.then_shift as [number, number];
    const random = seededRandom(3);
    const table = (move: boolean) => {
      const rows = makeStarTable(stars.length);
      stars.forEach(([x, y, flux], i) => {
        const dx = x! - cx;
        const dy = y! - cy;
        // Centroids as noisy as the three outside measurements of these frames, 0.027 px.
        const noise = () => 0.027 * (random() + random() + random() + random() - 2) * Math.sqrt(3);
        rows.x[i] = (move ? cx + Math.cos(turn) * dx - Math.sin(turn) * dy + tx : x!) + noise();
        rows.y[i] = (move ? cy + Math.sin(turn) * dx + Math.cos(turn) * dy + ty : y!) + noise();
        rows.flux[i] = flux!;
        rows.positionError[i] = 0.03;
      });
      return rows;
    };
    const found = alignSequence(
      [
        { id: 'A', stars: table(false) },
        { id: 'D', stars: table(true) },
      ],
      { width, height, referenceIndex: 0 },
    );
    const map = mapper(found, 1);
    const [mx, my] = map(cx, cy);
    expect(Math.abs(mx - cx - expected.truth.shift[0]!)).toBeLessThan(0.02); // px: the row's tolerance
    expect(Math.abs(my - cy - expected.truth.shift[1]!)).toBeLessThan(0.02); // px: the row's tolerance
    expect(Math.abs(Math.abs(found.frames[1]!.offset.rotation) - expected.truth.rot_deg)).toBeLessThan(0.01); // deg: +-0.005 of the row and this noise
    expect(found.rms).toBeLessThan(0.06); // px: the row's tolerance
  });

  it('names the reason when nothing fits, and never throws', () => {
    const empty = (id: string): AlignFrame => ({ id, stars: makeStarTable(0) });
    for (const frames of [[], [empty('a')], [empty('a'), empty('b'), empty('c')]]) {
      const none = alignSequence(frames, { width: 100, height: 80 });
      expect(none.method).toBe('none');
      expect(none.notes[0]!.length).toBeGreaterThan(10);
      none.frames.forEach((fit, i) => {
        if (i !== none.referenceIndex) expect(fit.reason!.length).toBeGreaterThan(10);
      });
    }
  });

  it('leaves out a frame of another sky with its reason and keeps the others', () => {
    const other = makeNight({ ...SCENE, seed: 99, azimuth: 20, frames: 2 });
    const frames = night.frames.map((frame, i) =>
      i === 2 ? { ...frame, stars: other.frames[0]!.stars } : frame,
    );
    const result = alignSequence(frames, options);
    expect(result.frames[2]!.status).toBe('left-out');
    expect(result.frames[2]!.reason!.length).toBeGreaterThan(10);
    expect(result.frames.filter((fit) => fit.status === 'fitted').length).toBe(frames.length - 1);
  });

  it('refuses a run in which only defects and lamps agree', () => {
    const random = seededRandom(17);
    const lamps = Array.from({ length: 25 }, () => [random() * 3000, random() * 2000] as const);
    const frames = Array.from({ length: 5 }, (_, i): AlignFrame => {
      const stars = makeStarTable(50);
      for (let k = 0; k < 50; k++) {
        const lamp = lamps[k];
        stars.x[k] = lamp ? lamp[0] + 0.05 * random() : random() * 3000;
        stars.y[k] = lamp ? lamp[1] + 0.05 * random() : random() * 2000;
        stars.flux[k] = 1000 - k;
        stars.positionError[k] = 0.05;
      }
      return { id: `f${i}`, stars, time: i * 4000 };
    });
    for (const run of [frames, frames.map(({ id, stars }) => ({ id, stars }))]) {
      const result = alignSequence(run, options);
      expect(result.method).toBe('none');
      expect(result.notes[0]).toContain('stands still');
    }
  });

  it('works without any clock, and then calls focal length and pole unknown', () => {
    const frames = night.frames.map(({ id, stars }) => ({ id, stars }));
    const result = alignSequence(frames, options);
    expect(result.frames.every((fit) => fit.status === 'fitted')).toBe(true);
    expect(result.focalLengthPx?.known ?? false).toBe(false);
    const [x, y] = mapper(result, 7)(500, 400);
    const [tx, ty] = night.map(result.referenceIndex, 7, 500, 400);
    expect(Math.hypot(x - tx, y - ty)).toBeLessThan(0.2); // px: 100 stars, 8 frames, no clock to lean on
  });

  it('splits the run at a knock and says how far the camera went (P30)', () => {
    const knocked = makeNight({ ...SCENE, knock: [4, 30], frames: 10 });
    const result = alignSequence(knocked.frames, options);
    expect(result.segmentCount).toBe(2);
    expect(result.frames.map((fit) => fit.segment)).toEqual([0, 0, 0, 0, 1, 1, 1, 1, 1, 1].map((s) => s));
    const [x, y] = landMapper(result, 9)(1500, 1000);
    const [tx, ty] = knocked.mapLand(result.referenceIndex, 9, 1500, 1000);
    expect(Math.hypot(x - tx, y - ty)).toBeLessThan(1); // px: a knock of 30 px, the clock known to a second
  });
});

describe('mapper and warpGrid', () => {
  it('is the identity for the reference, exactly', () => {
    expect(mapper(alignment, alignment.referenceIndex)(12.25, 99.5)).toEqual([12.25, 99.5]);
  });

  it('is undone by inverseMapper', () => {
    fc.assert(
      fc.property(
        fc.nat(7),
        fc.double({ min: 0, max: 2999, noNaN: true }),
        fc.double({ min: 0, max: 1999, noNaN: true }),
        (i, x, y) => {
          const [a, b] = inverseMapper(alignment, i)(...mapper(alignment, i)(x, y));
          expect(Math.hypot(a - x, b - y)).toBeLessThan(1e-5); // px: Newton and refraction's inverse, 1e-9 rad each
        },
      ),
    );
  });

  it('keeps bilinear interpolation of the grid within 0.02 px of the exact mapping', () => {
    const grid = warpGrid(alignment, 7);
    expect([8, 16, 32, 64]).toContain(grid.step);
    const map = mapper(alignment, 7);
    fc.assert(
      fc.property(
        fc.double({ min: 0, max: 2999, noNaN: true }),
        fc.double({ min: 0, max: 1999, noNaN: true }),
        (x, y) => {
          const i = Math.floor(x / grid.step);
          const j = Math.floor(y / grid.step);
          expect(i + 1).toBeLessThan(grid.columns);
          expect(j + 1).toBeLessThan(grid.rows);
          const fx = x / grid.step - i;
          const fy = y / grid.step - j;
          const blend = (g: Float64Array) => {
            const at = j * grid.columns + i;
            const top = g[at]! * (1 - fx) + g[at + 1]! * fx;
            const low = g[at + grid.columns]! * (1 - fx) + g[at + grid.columns + 1]! * fx;
            return top * (1 - fy) + low * fy;
          };
          const [ex, ey] = map(x, y);
          expect(Math.abs(blend(grid.x) - ex)).toBeLessThan(0.02); // px: the bound of issue 7
          expect(Math.abs(blend(grid.y) - ey)).toBeLessThan(0.02); // px: the bound of issue 7
        },
      ),
    );
  });
});

describe('predictedTrail, neighbourTrail, predictedPositions', () => {
  it('predicts the true trail anywhere', () => {
    for (const [x, y] of [
      [100, 100],
      [1500, 1000],
      [2900, 1900],
    ] as const) {
      const [dx, dy] = night.trail(3, x, y, 15);
      const trail = predictedTrail(alignment, 3, x, y, 15);
      expect(Math.abs(trail.length - Math.hypot(dx, dy))).toBeLessThan(0.01); // px of 3.5: F is known to 0.1 %
      const off = Math.abs(trail.angle - (((((Math.atan2(dy, dx) * 180) / Math.PI) % 180) + 180) % 180));
      expect(Math.min(off, 180 - off)).toBeLessThan(0.5); // deg: pole to 0.1 deg and noise
    }
    expect(predictedTrail(alignment, 3, 10, 10, Number.NaN).length).toBeNaN();
  });

  it('expects from the neighbour alone nearly the same', () => {
    const match = matchPair(night.frames[3]!.stars, night.frames[4]!.stars, options)!;
    const trail = neighbourTrail(match, { x: 1500, y: 1000 }, { exposureTime: 15, interval: 60 });
    const [dx, dy] = night.trail(3, 1500, 1000, 15);
    expect(Math.abs(trail.length - Math.hypot(dx, dy))).toBeLessThan(0.05); // px: centroid noise of one pair, a quarter of it
  });

  it('puts every tracked star where its frames saw it', () => {
    const { trackCount, trackRows } = alignment;
    expect(trackCount).toBeGreaterThan(60);
    let close = 0;
    let seen = 0;
    for (let i = 0; i < night.frames.length; i++) {
      const { x, y } = predictedPositions(alignment, i);
      for (let t = 0; t < trackCount; t++) {
        const row = trackRows[i * trackCount + t]!;
        if (row < 0) continue;
        seen++;
        const stars = night.frames[i]!.stars;
        if (Math.hypot(stars.x[row]! - x[t]!, stars.y[row]! - y[t]!) < 0.8) close++;
      }
    }
    expect(close / seen).toBeGreaterThan(0.99); // linking radius 0.8 px
  });

  it('remembers the lens only when the run held it', () => {
    expect(rememberedLens(alignment)?.focalLengthPx).toBe(
      alignment.focalLengthPx?.known ? alignment.model?.lens.focalLengthPx : undefined,
    );
    const short = alignSequence(night.frames.slice(0, 2), options);
    expect(rememberedLens(short)).toBeUndefined();
  });
});
