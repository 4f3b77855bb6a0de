import { type CfaPattern, cfaColor, type FramePixels } from '../core/index.js';

/** A mono sensor is a filter pattern of one colour. */
export const NO_FILTER: CfaPattern = { width: 1, height: 1, colors: [1] };

/** The filter pattern of a frame; that of a mono sensor where there is none. */
export function patternOf(pixels: Pick<FramePixels, 'cfa'>): CfaPattern {
  return pixels.cfa ?? NO_FILTER;
}

/** For each site of the pattern the (dx, dy) of its 8 nearest neighbours of the same colour, nearest first. */
export function sameColorNeighbours(cfa: CfaPattern): readonly (readonly (readonly [number, number])[])[] {
  const reach = 4;
  const sites: (readonly (readonly [number, number])[])[] = [];
  for (let sy = 0; sy < cfa.height; sy++) {
    for (let sx = 0; sx < cfa.width; sx++) {
      const color = cfaColor(cfa, sx, sy);
      const found: [number, number][] = [];
      for (let dy = -reach; dy <= reach; dy++) {
        for (let dx = -reach; dx <= reach; dx++) {
          if (dx === 0 && dy === 0) continue;
          const x = sx + dx + cfa.width * reach;
          const y = sy + dy + cfa.height * reach;
          if (cfaColor(cfa, x, y) === color) found.push([dx, dy]);
        }
      }
      found.sort((a, b) => a[0] ** 2 + a[1] ** 2 - (b[0] ** 2 + b[1] ** 2));
      sites.push(found.slice(0, 8));
    }
  }
  return sites;
}

/** Median of up to 8 values held in `values[0..count)`; reorders them. NaN when there are none. */
export function smallMedian(values: Float64Array, count: number): number {
  if (count === 0) return Number.NaN;
  for (let i = 1; i < count; i++) {
    const value = values[i]!;
    let j = i - 1;
    while (j >= 0 && values[j]! > value) {
      values[j + 1] = values[j]!;
      j--;
    }
    values[j + 1] = value;
  }
  const middle = count >> 1;
  return count % 2 === 1 ? values[middle]! : (values[middle - 1]! + values[middle]!) / 2;
}
