import {
  type CfaPattern,
  type FramePixels,
  gaussian,
  makePlane,
  type Plane,
  type Random,
  seededRandom,
} from '../../src/core/index.js';

export interface TrueStar {
  readonly x: number;
  readonly y: number;
  /** ADU. */
  readonly flux: number;
}

export interface FieldOptions {
  readonly width: number;
  readonly height: number;
  /** Sigma of the lens, px, before the pixel's own 1/12 px^2. */
  readonly sigma: number;
  /** Trail of every star, px and deg from +x toward +y. */
  readonly trail?: { readonly length: number; readonly angle: number };
  /** Coma: length of the tail at the corner, px; grows with the square of the radius and points outward. */
  readonly coma?: number;
}

/** erf to 1.5e-7. @source Abramowitz and Stegun 7.1.26 */
function erf(x: number): number {
  const t = 1 / (1 + 0.3275911 * Math.abs(x));
  const y =
    1 -
    t *
      (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))) *
      Math.exp(-x * x);
  return x < 0 ? -y : y;
}

/** Adds light of a round Gaussian integrated over each pixel. */
function addBlob(plane: Plane, x: number, y: number, flux: number, sigma: number): void {
  const reach = Math.ceil(5 * sigma + 1);
  const x0 = Math.max(0, Math.round(x) - reach);
  const x1 = Math.min(plane.width - 1, Math.round(x) + reach);
  const y0 = Math.max(0, Math.round(y) - reach);
  const y1 = Math.min(plane.height - 1, Math.round(y) + reach);
  const k = 1 / (sigma * Math.SQRT2);
  const across: number[] = [];
  for (let px = x0; px <= x1; px++) across.push((erf((px + 0.5 - x) * k) - erf((px - 0.5 - x) * k)) / 2);
  for (let py = y0; py <= y1; py++) {
    const row = (flux * (erf((py + 0.5 - y) * k) - erf((py - 0.5 - y) * k))) / 2;
    for (let px = x0; px <= x1; px++) plane.data[py * plane.width + px]! += row * across[px - x0]!;
  }
}

/** Renders stars without noise: each a lens blob drawn along its trail in steps of a fifth of a pixel. */
export function renderStars(stars: readonly TrueStar[], options: FieldOptions): Plane {
  const plane = makePlane(options.width, options.height);
  const { length = 0, angle = 0 } = options.trail ?? {};
  const steps = Math.max(1, Math.ceil(length * 5));
  const ux = Math.cos((angle * Math.PI) / 180);
  const uy = Math.sin((angle * Math.PI) / 180);
  const cx = (options.width - 1) / 2;
  const cy = (options.height - 1) / 2;
  const corner = Math.hypot(cx, cy);
  for (const star of stars) {
    const rx = (star.x - cx) / corner;
    const ry = (star.y - cy) / corner;
    const r = Math.hypot(rx, ry);
    const tail = (options.coma ?? 0) * r * r;
    for (let s = 0; s < steps; s++) {
      const along = ((s + 0.5) / steps - 0.5) * length;
      const x = star.x + along * ux;
      const y = star.y + along * uy;
      const flux = star.flux / steps;
      if (tail < 0.05) {
        addBlob(plane, x, y, flux, options.sigma);
        continue;
      }
      addBlob(plane, x, y, flux * 0.6, options.sigma);
      for (let t = 1; t <= 4; t++) {
        const d = (tail * t) / 4 / r;
        addBlob(plane, x + d * rx, y + d * ry, flux * 0.1, options.sigma * (1 + 0.1 * t));
      }
    }
  }
  return plane;
}

/** Stars at random places at least `apart` px from one another and `border` px inside. */
export function placeStars(
  random: Random,
  count: number,
  options: { width: number; height: number; apart: number; border: number; flux: (random: Random) => number },
): TrueStar[] {
  const stars: TrueStar[] = [];
  for (let tries = 0; stars.length < count && tries < count * 50; tries++) {
    const x = options.border + random() * (options.width - 2 * options.border);
    const y = options.border + random() * (options.height - 2 * options.border);
    if (stars.some((s) => Math.hypot(s.x - x, s.y - y) < options.apart)) continue;
    stars.push({ x, y, flux: options.flux(random) });
  }
  return stars;
}

/** Adds a level and normal noise to a plane in place. */
export function addNoise(plane: Plane, level: number, noise: number, random: Random): Plane {
  for (let i = 0; i < plane.data.length; i++) plane.data[i]! += level + noise * gaussian(random);
  return plane;
}

export const BAYER: CfaPattern = { width: 2, height: 2, colors: [0, 1, 1, 2] };
/** Six by six with green in 20 of 36. */
export const SIX: CfaPattern = {
  width: 6,
  height: 6,
  colors: [
    1, 0, 1, 1, 2, 1, 2, 1, 2, 0, 1, 0, 1, 0, 1, 1, 2, 1, 1, 2, 1, 1, 0, 1, 0, 1, 0, 2, 1, 2, 1, 2, 1, 1, 0,
    1,
  ],
};

/** A raw frame: stars of one temperature (relative light in red, green, blue) over a sky, e- noise, whole ADU. */
export function rawFrame(
  light: Plane,
  options: {
    readonly cfa: CfaPattern;
    readonly sky: readonly [number, number, number];
    readonly star?: readonly [number, number, number];
    readonly gain: number;
    readonly readNoise: number;
    readonly seed: number;
    /** Falloff of the corner, share of light lost. */
    readonly vignetting?: number;
    /** Rows from here down are land at this level, ADU. */
    readonly land?: { readonly from: number; readonly level: number };
  },
): FramePixels {
  const random = seededRandom(options.seed);
  const { width, height } = light;
  const star = options.star ?? [0.7, 1, 0.8];
  const data = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const color =
        options.cfa.colors[(y % options.cfa.height) * options.cfa.width + (x % options.cfa.width)]!;
      const r2 = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (width ** 2 / 4 + height ** 2 / 4);
      const falloff = 1 - (options.vignetting ?? 0) * r2;
      let level = falloff * (options.sky[color]! + star[color]! * light.data[y * width + x]!);
      if (options.land && y >= options.land.from) level = options.land.level;
      const noise = Math.sqrt(Math.max(0, level) / options.gain + options.readNoise ** 2);
      data[y * width + x] = Math.round(level + noise * gaussian(random));
    }
  }
  return {
    kind: 'mosaic',
    width,
    height,
    data,
    cfa: options.cfa,
    blackLevel: [0],
    whiteLevel: [15000, 15000, 15000],
    quantization: 1,
    decoder: 'test',
    warnings: [],
  };
}
