import type { StarTable } from '../../src/core/index.js';

/** Row of the measured star nearest to a place within `reach` px, or -1. */
export function nearestStar(stars: StarTable, x: number, y: number, reach: number): number {
  let row = -1;
  let best = reach;
  for (let i = 0; i < stars.count; i++) {
    const d = Math.hypot(stars.x[i]! - x, stars.y[i]! - y);
    if (d < best) {
      best = d;
      row = i;
    }
  }
  return row;
}
