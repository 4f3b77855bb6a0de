import { type Alignment, mapper } from '../../src/alignment/index.js';
import type { TruthNight } from './_truth.js';

export interface Score {
  /** Displacement error over the frame and over its outer tenth, px rms over all fitted frames. */
  readonly rms: number;
  readonly outer: number;
  /** The worst frame's. */
  readonly worst: number;
  readonly fitted: number;
  readonly total: number;
}

/** Holds the mapper against the truth on a 25 x 25 grid of the reference, wherever the frame shows the sky. */
export function score(night: TruthNight, alignment: Alignment): Score {
  const { width, height } = night.scene;
  const reference = alignment.referenceIndex;
  const n = 25;
  const radii: number[] = [];
  for (let j = 0; j < 40; j++) {
    for (let i = 0; i < 40; i++) {
      radii.push(Math.hypot(((i + 0.5) / 40 - 0.5) * width, ((j + 0.5) / 40 - 0.5) * height));
    }
  }
  radii.sort((a, b) => a - b);
  const outerRadius = radii[Math.floor(radii.length * 0.9)]!;
  let sum = 0;
  let count = 0;
  let outerSum = 0;
  let outerCount = 0;
  let worst = 0;
  let fitted = 0;
  alignment.frames.forEach((frame, f) => {
    if (frame.status !== 'fitted') return;
    fitted++;
    if (f === reference) return;
    const map = mapper(alignment, f);
    let own = 0;
    let ownCount = 0;
    for (let j = 0; j < n; j++) {
      for (let i = 0; i < n; i++) {
        const x = ((width - 1) * i) / (n - 1);
        const y = ((height - 1) * j) / (n - 1);
        // Stars end at the horizon, and so does what the sky's mapping is asked for.
        if (night.altitude(reference, x, y) < 1) continue;
        const [tx, ty] = night.map(reference, f, x, y);
        if (!(tx >= 0 && ty >= 0 && tx < width && ty < height)) continue;
        if (night.altitude(f, tx, ty) < 1) continue;
        const [mx, my] = map(x, y);
        let e2 = (mx - tx) ** 2 + (my - ty) ** 2;
        if (Number.isNaN(e2)) e2 = 1e4;
        own += e2;
        ownCount++;
        if (Math.hypot(x - (width - 1) / 2, y - (height - 1) / 2) >= outerRadius) {
          outerSum += e2;
          outerCount++;
        }
      }
    }
    sum += own;
    count += ownCount;
    if (ownCount > 0) worst = Math.max(worst, Math.sqrt(own / ownCount));
  });
  return {
    rms: Math.sqrt(sum / count),
    outer: Math.sqrt(outerSum / outerCount),
    worst,
    fitted,
    total: alignment.frames.length,
  };
}
