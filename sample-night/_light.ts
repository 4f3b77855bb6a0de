import { toCamera } from './_color.js';
import { smearLayer } from './_land.js';
import { GRID_STEP } from './_lens-grid.js';
import { naturalSky } from './_photometry.js';
import { type FrameScene, MOSAIC_SITES, type Sites } from './_scene.js';
import type { Collector } from './_splat.js';
import { drawStars, onGrid, shakePath } from './_star-light.js';
import { drawStreaks } from './_streaks.js';
import { realExposure } from './night-scenario.js';

/** Land's own colour by starlight, and under headlights: linear sRGB. */
const LAND_COLOR = [1.12, 1, 0.86] as const;
const HEADLIGHT_COLOR = [1.3, 1, 0.62] as const;

/** Sums up all light of a frame: electrons per pixel over the exposure, without any noise. */
export function collectLight(scene: FrameScene, sites: Sites = MOSAIC_SITES): Float32Array {
  const { scenario, shot, glow } = scene;
  const { width, height } = scenario.camera;
  const seconds = realExposure(shot);
  const to: Collector = { width, height, data: new Float32Array(width * height) };
  drawStars(scene, sites, to);
  drawStreaks(scene, sites, to);
  const land = scene.land && shot.shake ? smearLayer(scene.land, width, height, shakePath(shot)) : scene.land;
  const convert = toCamera(scenario.camera);
  const unit = naturalSky(scenario) * seconds;
  // Starlit land follows the sky above it: the mean level of the sky relative to a natural one, half of it.
  const landLight = convert(LAND_COLOR).map(
    (value) => value * unit * scenario.land.brightness * landIllumination(scene),
  );
  const lamp = convert(HEADLIGHT_COLOR).map((value) => value * unit * (shot.headlights ?? 0));
  const colors = [glow.red, glow.green, glow.blue] as const;
  const { columns } = glow;
  const { data } = to;
  for (let y = 0; y < height; y++) {
    const gy = Math.floor(y / GRID_STEP);
    const v = y / GRID_STEP - gy;
    const even = sites[(y & 1) << 1]!;
    const odd = sites[((y & 1) << 1) + 1]!;
    const rowA = gy * columns;
    const rowB = rowA + columns;
    for (let x = 0; x < width; x++) {
      const k = y * width + x;
      const color = (x & 1) === 0 ? even : odd;
      const values = colors[color];
      const gx = (x / GRID_STEP) | 0;
      const u = x / GRID_STEP - gx;
      const a = values[rowA + gx]! * (1 - u) + values[rowA + gx + 1]! * u;
      const b = values[rowB + gx]! * (1 - u) + values[rowB + gx + 1]! * u;
      let value = (a + (b - a) * v) * seconds + data[k]!;
      if (land !== undefined) {
        const cover = land.cover[k]!;
        if (cover > 0)
          value = value * (1 - cover) + land.ambient[k]! * landLight[color]! + land.beam[k]! * lamp[color]!;
      }
      data[k] = value;
    }
  }
  return data;
}

/** How strongly the sky lights the land, 1 = a natural night. */
function landIllumination({ glow, scenario, grid }: FrameScene): number {
  const unit = naturalSky(scenario);
  let sum = 0;
  let weight = 0;
  for (let k = 0; k < glow.green.length; k += 7) {
    sum += glow.green[k]!;
    weight += grid.surface[k]!;
  }
  return Math.max(0.5, 0.35 + (0.5 * sum) / Math.max(1e-9, weight) / unit);
}

/** Light of an even panel for a flat: electrons per pixel that fill `level` of the white level in green on the axis. */
export function collectFlat(scene: Pick<FrameScene, 'scenario' | 'grid'>, electrons: number): Float32Array {
  const { scenario, grid } = scene;
  const { width, height } = scenario.camera;
  const panel = toCamera(scenario.camera)([0.95, 1, 1.1]);
  const data = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const color = MOSAIC_SITES[((y & 1) << 1) + (x & 1)]!;
      data[y * width + x] = electrons * panel[color]! * onGrid(grid, grid.surface, x, y);
    }
  }
  return data;
}
