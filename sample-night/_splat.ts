const STEPS = 128;
const REACH = 6;

/** Share of a unit Gaussian left of t, tabulated; summed by Simpson's rule; error of the interpolation below 2e-6. */
const LEFT_SHARE = (() => {
  const n = 2 * REACH * STEPS + 1;
  const table = new Float64Array(n + 1);
  const density = (t: number) => Math.exp(-0.5 * t * t) / Math.sqrt(2 * Math.PI);
  for (let i = 1; i < n; i++) {
    const a = -REACH + (i - 1) / STEPS;
    const b = a + 1 / STEPS;
    table[i] = table[i - 1]! + (density(a) + 4 * density((a + b) / 2) + density(b)) / 6 / STEPS;
  }
  table[n] = table[n - 1]!;
  return table;
})();

function leftShare(t: number): number {
  if (t <= -REACH) return 0;
  if (t >= REACH) return 1;
  const at = (t + REACH) * STEPS;
  const i = at | 0;
  return LEFT_SHARE[i]! + (LEFT_SHARE[i + 1]! - LEFT_SHARE[i]!) * (at - i);
}

/** Light collected by the pixels of a sensor, before noise. */
export interface Collector {
  readonly width: number;
  readonly height: number;
  readonly data: Float32Array;
}

const MAX_SPAN = 128;
const ACROSS = new Float64Array(MAX_SPAN);

/**
 * Adds a round Gaussian spot, integrated over each pixel's square (undersampled spots keep flux and place).
 * `light` has the total for the four sites of a 2x2 pattern, index (y & 1) * 2 + (x & 1).
 */
export function splat(to: Collector, x: number, y: number, sigma: number, light: ArrayLike<number>): void {
  const radius = Math.min(60, 3.6 * sigma);
  const x0 = Math.max(0, Math.ceil(x - radius - 0.5));
  const x1 = Math.min(to.width - 1, Math.floor(x + radius + 0.5));
  const y0 = Math.max(0, Math.ceil(y - radius - 0.5));
  const y1 = Math.min(to.height - 1, Math.floor(y + radius + 0.5));
  if (x1 < x0 || y1 < y0) return;
  const inv = 1 / sigma;
  let last = leftShare((x0 - 0.5 - x) * inv);
  for (let i = x0; i <= x1; i++) {
    const next = leftShare((i + 0.5 - x) * inv);
    ACROSS[i - x0] = next - last;
    last = next;
  }
  let below = leftShare((y0 - 0.5 - y) * inv);
  for (let j = y0; j <= y1; j++) {
    const above = leftShare((j + 0.5 - y) * inv);
    const share = above - below;
    below = above;
    const site = (j & 1) << 1;
    const even = share * light[site]!;
    const odd = share * light[site + 1]!;
    let at = j * to.width + x0;
    for (let i = x0; i <= x1; i++, at++) {
      to.data[at] = to.data[at]! + ACROSS[i - x0]! * ((i & 1) === 0 ? even : odd);
    }
  }
}
