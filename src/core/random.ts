/** A source of uniform numbers in [0, 1), always the same for the same seed. */
export type Random = () => number;

/** Seeded generator of 32-bit state. @source mulberry32, T. Ettinger, public domain. */
export function seededRandom(seed: number): Random {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

/** One normal deviate of zero mean and unit sigma. @source G. E. P. Box and M. E. Muller, Ann. Math. Stat. 29 (1958) 610. */
export function gaussian(random: Random): number {
  const u = 1 - random();
  return Math.sqrt(-2 * Math.log(u)) * Math.cos(2 * Math.PI * random());
}

/** One Poisson deviate; by multiplication for small means, by the rounded normal above 60 (error below 1 % there). */
export function poisson(random: Random, mean: number): number {
  if (!(mean > 0)) return 0;
  if (mean > 60) return Math.max(0, Math.round(mean + Math.sqrt(mean) * gaussian(random)));
  const limit = Math.exp(-mean);
  let product = random();
  let n = 0;
  while (product > limit) {
    product *= random();
    n++;
  }
  return n;
}
