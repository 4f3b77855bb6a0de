/** Mixes integers into one 32-bit seed. @source finaliser of MurmurHash3, A. Appleby, public domain. */
export function hash(...parts: number[]): number {
  let h = 0x9e3779b9;
  for (const part of parts) {
    h ^= part | 0;
    h = Math.imul(h ^ (h >>> 16), 0x85ebca6b);
    h = Math.imul(h ^ (h >>> 13), 0xc2b2ae35);
    h ^= h >>> 16;
  }
  return h >>> 0;
}

function lattice(ix: number, iy: number, iz: number, seed: number): number {
  let h = Math.imul(ix, 0x27d4eb2d) ^ Math.imul(iy, 0x165667b1) ^ Math.imul(iz, 0x9e3779b1) ^ seed;
  h = Math.imul(h ^ (h >>> 15), 0x85ebca6b);
  h = Math.imul(h ^ (h >>> 13), 0xc2b2ae35);
  return ((h ^ (h >>> 16)) >>> 0) / 4294967296;
}

/** Smooth noise in [0, 1) with features of size 1. @source value noise with quintic fade, K. Perlin, SIGGRAPH 2002. */
export function noise3(x: number, y: number, z: number, seed: number): number {
  const ix = Math.floor(x);
  const iy = Math.floor(y);
  const iz = Math.floor(z);
  let fx = x - ix;
  let fy = y - iy;
  let fz = z - iz;
  fx = fx * fx * fx * (fx * (fx * 6 - 15) + 10);
  fy = fy * fy * fy * (fy * (fy * 6 - 15) + 10);
  fz = fz * fz * fz * (fz * (fz * 6 - 15) + 10);
  const a = lattice(ix, iy, iz, seed);
  const b = lattice(ix + 1, iy, iz, seed);
  const c = lattice(ix, iy + 1, iz, seed);
  const d = lattice(ix + 1, iy + 1, iz, seed);
  const near = a + (b - a) * fx + (c + (d - c) * fx - a - (b - a) * fx) * fy;
  if (fz === 0) return near;
  const e = lattice(ix, iy, iz + 1, seed);
  const f = lattice(ix + 1, iy, iz + 1, seed);
  const g = lattice(ix, iy + 1, iz + 1, seed);
  const h = lattice(ix + 1, iy + 1, iz + 1, seed);
  const far = e + (f - e) * fx + (g + (h - g) * fx - e - (f - e) * fx) * fy;
  return near + (far - near) * fz;
}

/** Sum of octaves of `noise3`, each twice as fine and half as strong; in [0, 1), mean 0.5. */
export function fractal3(x: number, y: number, z: number, octaves: number, seed: number): number {
  let sum = 0;
  let weight = 1;
  let total = 0;
  for (let i = 0; i < octaves; i++) {
    sum += weight * noise3(x, y, z, seed + i * 101);
    total += weight;
    weight *= 0.5;
    x *= 2.03;
    y *= 2.03;
    z *= 2.03;
  }
  return sum / total;
}

/** `fractal3` in a plane. */
export const fractal2 = (x: number, y: number, octaves: number, seed: number): number =>
  fractal3(x, y, 0, octaves, seed);

/** 0 below `low`, 1 above `high`, smooth between. */
export function smoothStep(low: number, high: number, value: number): number {
  const t = Math.min(1, Math.max(0, (value - low) / (high - low)));
  return t * t * (3 - 2 * t);
}
