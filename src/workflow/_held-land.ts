import { open } from 'node:fs/promises';
import { join } from 'node:path';
import type { ColorImage, Mask, Plane } from '../core/index.js';
import { composeLand, type LandChoice } from '../stacking/index.js';
import { writeParts } from './_run-folder.js';
import type { LandLayer } from './_stack-land.js';

/** A land stack laid aside on disk, so that sky and land need not be in memory together. */
export interface HeldLand {
  readonly path: string;
  readonly mask: Mask;
  readonly share: Plane;
  readonly frames: number;
  readonly note?: string;
}

/** Rows that are put together at once. */
const ROWS = 64;

/** Lays a land stack aside in the scratch folder. */
export async function holdLand(dir: string, land: LandLayer): Promise<HeldLand> {
  const { image, ...rest } = land;
  const path = join(dir, 'land.f32');
  const { data } = image;
  const most = 1 << 18;
  function* parts() {
    for (let from = 0; from < data.length; from += most) {
      const part = data.subarray(from, from + most);
      yield new Uint8Array(part.buffer, part.byteOffset, part.byteLength);
    }
  }
  await writeParts(path, parts());
  return { path, ...rest };
}

/** Puts the land in front of the sky, in the sky's own memory; see `composeLand`. */
export async function composeHeld(sky: ColorImage, land: HeldLand, choice: LandChoice): Promise<void> {
  const { width, height } = sky;
  const file = await open(land.path, 'r');
  try {
    for (let top = 0; top < height; top += ROWS) {
      const rows = Math.min(ROWS, height - top);
      const size = width * rows;
      const part = (): ColorImage => ({ width, height: rows, data: new Float32Array(3 * size) });
      const [above, below] = [part(), part()];
      const bytes = new Uint8Array(below.data.buffer);
      for (let color = 0; color < 3; color++) {
        const from = (color * height + top) * width;
        above.data.set(sky.data.subarray(from, from + size), color * size);
        await file.read(bytes, 4 * color * size, 4 * size, 4 * from);
      }
      const share = { width, height: rows, data: land.share.data.subarray(top * width, top * width + size) };
      composeLand({ sky: above, land: below, share }, choice, above);
      for (let color = 0; color < 3; color++) {
        sky.data.set(above.data.subarray(color * size, (color + 1) * size), (color * height + top) * width);
      }
    }
  } finally {
    await file.close();
  }
}
