import sharp from 'sharp';
import { median, type Plane, type StarTable } from '../core/index.js';
import { makePreview } from '../finishing/index.js';
import { serveTasks } from '../kernels/index.js';
import { detectionPlane } from '../stars/index.js';
import { loadPixels } from './_pixels.js';
import { turned, turnedPlace } from './_report-turn.js';

/** A line on a frame, px. */
export interface LineOnFrame {
  readonly x1: number;
  readonly y1: number;
  readonly x2: number;
  readonly y2: number;
}

/** What the report wants to see of one frame at full size. */
export interface CloseUpTask {
  readonly path: string;
  readonly orientation?: number | undefined;
  readonly defects?: Uint32Array | undefined;
  /** Its stars, for a strip of five; absent = no strip. */
  readonly stars?: Pick<StarTable, 'count' | 'x' | 'y' | 'flux' | 'fwhm' | 'flags'> | undefined;
  readonly lines: readonly LineOnFrame[];
}

export interface CloseUps {
  /** PNG of five stars as seen: top left, top right, middle, bottom left, bottom right; undefined when there are none. */
  readonly strip?: Uint8Array;
  /** One a line: a JPEG of its surroundings, and its light from end to end, ADU above the sky. */
  readonly lines: readonly { readonly jpeg: Uint8Array; readonly profile: readonly number[] }[];
}

const TILE = 25;
const ZOOM = 4;
const GAP = 4;
/** Share of the frame's width and height that counts as a corner or as the middle. */
const CORNER = 0.3;

/** Where each tile's star is looked for, as seen: -1..1 across and down. */
const PLACES: readonly (readonly [number, number])[] = [
  [-1, -1],
  [1, -1],
  [0, 0],
  [-1, 1],
  [1, 1],
];

async function closeUps(task: CloseUpTask): Promise<CloseUps> {
  const pixels = await loadPixels(task.path);
  const plane = detectionPlane(pixels, task.defects);
  const strip = task.stars ? await stripOf(plane, task.stars, task.orientation) : undefined;
  const lines: { jpeg: Uint8Array; profile: number[] }[] = [];
  if (task.lines.length > 0) {
    const preview = makePreview(pixels, { longSide: Math.ceil(Math.max(pixels.width, pixels.height) / 2) });
    const scale = preview.width / pixels.width;
    for (const line of task.lines) {
      const margin = 40 + 0.15 * Math.hypot(line.x2 - line.x1, line.y2 - line.y1);
      const left = Math.max(0, Math.floor((Math.min(line.x1, line.x2) - margin) * scale));
      const top = Math.max(0, Math.floor((Math.min(line.y1, line.y2) - margin) * scale));
      const right = Math.min(preview.width, Math.ceil((Math.max(line.x1, line.x2) + margin) * scale));
      const bottom = Math.min(preview.height, Math.ceil((Math.max(line.y1, line.y2) + margin) * scale));
      if (right - left < 8 || bottom - top < 8) {
        lines.push({ jpeg: new Uint8Array(0), profile: [] });
        continue;
      }
      const cut = await sharp(preview.data, {
        raw: { width: preview.width, height: preview.height, channels: 3 },
      })
        .extract({ left, top, width: right - left, height: bottom - top })
        .png()
        .toBuffer();
      const jpeg = await turned(sharp(cut), task.orientation)
        .resize({ width: 420, height: 420, fit: 'inside', withoutEnlargement: true })
        .linear(1.25, 0)
        .jpeg({ quality: 80, mozjpeg: true })
        .toBuffer();
      lines.push({ jpeg, profile: profileAlong(plane, line) });
    }
  }
  return { ...(strip ? { strip } : {}), lines };
}

/** The brightest clean star near each of five places, side by side, each stretched to its own height. */
async function stripOf(
  plane: Plane,
  stars: NonNullable<CloseUpTask['stars']>,
  orientation: number | undefined,
): Promise<Uint8Array | undefined> {
  const { width, height } = plane;
  const half = (TILE - 1) / 2;
  const best = PLACES.map(() => -1);
  // Two stars in one are wider than their neighbours; the eye should judge the lens, not a pair.
  const widest = 1.1 * median(stars.fwhm);
  for (let i = 0; i < stars.count; i++) {
    const x = Math.round(stars.x[i]!);
    const y = Math.round(stars.y[i]!);
    if (stars.flags[i] !== 0 || stars.fwhm[i]! > widest) continue;
    if (x < half || y < half || x >= width - half || y >= height - half) continue;
    const [u, v] = turnedPlace([(2 * x) / width - 1, (2 * y) / height - 1], orientation);
    PLACES.forEach(([pu, pv], k) => {
      const near = Math.abs(u - pu) <= 2 * CORNER && Math.abs(v - pv) <= 2 * CORNER;
      if (near && (best[k] === -1 || stars.flux[i]! > stars.flux[best[k]!]!)) best[k] = i;
    });
  }
  if (best.every((i) => i === -1)) return undefined;
  const side = TILE * ZOOM;
  const tiles = await Promise.all(
    best.map(async (i, k) => {
      if (i === -1) return undefined;
      const grey = tileOf(plane, Math.round(stars.x[i]!), Math.round(stars.y[i]!));
      // Two pipelines: the image library turns before it enlarges or after, as it likes; here the order matters.
      const small = await turned(
        sharp(grey, { raw: { width: TILE, height: TILE, channels: 1 } }),
        orientation,
      )
        .png()
        .toBuffer();
      const input = await sharp(small).resize(side, side, { kernel: 'nearest' }).png().toBuffer();
      return { input, left: k * (side + GAP), top: 0 };
    }),
  );
  return sharp({
    create: { width: 5 * side + 4 * GAP, height: side, channels: 3, background: { r: 24, g: 26, b: 32 } },
  })
    .composite(tiles.filter((tile) => tile !== undefined))
    .png({ palette: true, colors: 64, compressionLevel: 9 })
    .toBuffer();
}

/** A square about a place, its sky at dark grey, its highest pixel white, square root between. */
function tileOf(plane: Plane, cx: number, cy: number): Uint8Array {
  const half = (TILE - 1) / 2;
  const values = new Float32Array(TILE * TILE);
  for (let dy = -half; dy <= half; dy++) {
    for (let dx = -half; dx <= half; dx++) {
      values[(dy + half) * TILE + dx + half] = plane.data[(cy + dy) * plane.width + cx + dx]!;
    }
  }
  const sky = median(values);
  let top = sky;
  for (let dy = -3; dy <= 3; dy++) {
    for (let dx = -3; dx <= 3; dx++) top = Math.max(top, values[(half + dy) * TILE + half + dx]!);
  }
  const range = Math.max(1e-6, top - sky);
  return Uint8Array.from(values, (value) => {
    const share = Math.max(0, Math.min(1, (value - sky) / range));
    return 22 + 233 * Math.sqrt(share);
  });
}

/** Light along a line in up to 160 steps: the highest of five pixels across it above the sky beside it, ADU. */
function profileAlong(plane: Plane, line: LineOnFrame): number[] {
  const { width, height, data } = plane;
  const length = Math.hypot(line.x2 - line.x1, line.y2 - line.y1);
  const [ux, uy] = [(line.x2 - line.x1) / length, (line.y2 - line.y1) / length];
  const at = (s: number, side: number): number => {
    const x = Math.round(line.x1 + ux * s - uy * side);
    const y = Math.round(line.y1 + uy * s + ux * side);
    return x < 0 || y < 0 || x >= width || y >= height ? Number.NaN : data[y * width + x]!;
  };
  const steps = Math.max(8, Math.min(160, Math.round(length / 3)));
  const out: number[] = [];
  for (let i = 0; i < steps; i++) {
    const from = (i * length) / steps;
    const to = ((i + 1) * length) / steps;
    const sky: number[] = [];
    let top = Number.NEGATIVE_INFINITY;
    for (let s = from; s < to; s++) {
      for (const side of [-10, -9, -8, 8, 9, 10]) sky.push(at(s, side));
      for (const side of [-2, -1, 0, 1, 2]) {
        const value = at(s, side);
        if (value > top) top = value;
      }
    }
    const level = median(sky);
    if (Number.isFinite(top) && Number.isFinite(level)) out.push(Math.round(10 * (top - level)) / 10);
  }
  return out;
}

serveTasks({ closeUps });
