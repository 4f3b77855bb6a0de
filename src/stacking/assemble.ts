import { type ColorImage, makeColorImage, makePlane, type Plane } from '../core/index.js';
import type { LayerResult } from './stack-tile.js';
import type { Tile } from './tiles.js';

/** One stack put together from its tiles. */
export interface StackLayer {
  readonly image: ColorImage;
  readonly coverage: Plane;
  readonly rejected: Plane;
}

/** Makes an empty stack: NaN everywhere, coverage 0. */
export function emptyLayer(width: number, height: number): StackLayer {
  return {
    image: makeColorImage(width, height, Number.NaN),
    coverage: makePlane(width, height),
    rejected: makePlane(width, height),
  };
}

/** Writes a finished tile into its stack. Tiles may come in any order. */
export function placeTile(layer: StackLayer, tile: Tile, result: LayerResult): void {
  placePlanes(result.image, layer.image, tile, 3);
  placePlanes(result.coverage, layer.coverage, tile, 1);
  placePlanes(result.rejected, layer.rejected, tile, 1);
}

/** Writes planes of a tile, f32[planes*height*width], into a picture of as many planes. */
export function placePlanes(
  from: Float32Array,
  to: { readonly width: number; readonly height: number; readonly data: Float32Array },
  tile: Tile,
  planes: number,
): void {
  for (let row = 0; row < planes * tile.height; row++) {
    const plane = Math.floor(row / tile.height);
    const y = tile.y0 + (row % tile.height);
    const line = from.subarray(row * tile.width, (row + 1) * tile.width);
    to.data.set(line, (plane * to.height + y) * to.width + tile.x0);
  }
}
