/**
 * The shape every star is measured by: a round Gaussian convolved with a straight line of uniform light.
 * Described by x, y, flux, the mean variance m = (a^2 + b^2)/2 and the tensor q = (L^2/12) (cos 2t, sin 2t),
 * which passes smoothly through round, where length and angle do not. a^2 = m + |q|/2, b^2 = m - |q|/2.
 */
export interface Shape {
  x: number;
  y: number;
  flux: number;
  /** (a^2 + b^2) / 2, px^2. */
  m: number;
  /** (a^2 - b^2) cos 2 theta and sin 2 theta, px^2. */
  q1: number;
  q2: number;
  /** Constant added to the background, ADU. */
  offset: number;
}

/** Parameters of the fit in order: x, y, flux, m, q1, q2, offset. */
export const PARAMETERS = 7;

const SQRT_2PI = Math.sqrt(2 * Math.PI);

/** What stays the same for all pixels of one evaluation. */
export interface ShapeTerms {
  readonly cos: number;
  readonly sin: number;
  readonly cos2: number;
  readonly sin2: number;
  readonly variance: number;
  readonly sigma: number;
  readonly half: number;
  readonly length: number;
  readonly w: number;
}

/** Makes the constants of an evaluation; a nearly round star gets a line too short to matter (a/b < 1.003). */
export function shapeTerms(shape: Shape): ShapeTerms {
  const size = Math.hypot(shape.q1, shape.q2);
  const variance = Math.max(0.05, shape.m - size / 2);
  const w = Math.max(size, 0.005 * variance);
  const cos2 = size > 0 ? shape.q1 / size : 1;
  const sin2 = size > 0 ? shape.q2 / size : 0;
  const angle = Math.atan2(sin2, cos2) / 2;
  const length = Math.sqrt(12 * w);
  return {
    cos: Math.cos(angle),
    sin: Math.sin(angle),
    cos2,
    sin2,
    variance,
    sigma: Math.sqrt(variance),
    half: length / 2,
    length,
    w,
  };
}

/** erf(x) given e = exp(-x^2), to 1.5e-7. @source M. Abramowitz and I. A. Stegun, 7.1.26. */
function erfFrom(x: number, e: number): number {
  const t = 1 / (1 + 0.327_591_1 * Math.abs(x));
  const poly =
    t *
    (0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
  const value = 1 - poly * e;
  return x < 0 ? -value : value;
}

/** Light of a unit-flux star at (dx, dy) from its centre, a pixel. */
export function shapeValue(terms: ShapeTerms, dx: number, dy: number): number {
  const u = terms.cos * dx + terms.sin * dy;
  const v = -terms.sin * dx + terms.cos * dy;
  const s2 = terms.variance;
  const across = Math.exp((-0.5 * v * v) / s2) / (SQRT_2PI * terms.sigma);
  const p = (u + terms.half) / (terms.sigma * Math.SQRT2);
  const n = (u - terms.half) / (terms.sigma * Math.SQRT2);
  const ep = Math.exp(-p * p);
  const en = Math.exp(-n * n);
  return (across * (erfFrom(p, ep) - erfFrom(n, en))) / (2 * terms.length);
}

/**
 * Light of the star at (dx, dy) from its centre and its derivatives by the seven parameters, into `out`:
 * [value, d/dx, d/dy, d/dflux, d/dm, d/dq1, d/dq2]. By the heat equation a Gaussian's derivative by its
 * variance is half its Laplacian, so only the line's own derivatives are new.
 */
export function shapeDerivatives(
  terms: ShapeTerms,
  flux: number,
  dx: number,
  dy: number,
  out: Float64Array,
): void {
  const { cos, sin, sigma, half, length } = terms;
  const s2 = terms.variance;
  const u = cos * dx + sin * dy;
  const v = -sin * dx + cos * dy;
  const across = Math.exp((-0.5 * v * v) / s2) / (SQRT_2PI * sigma);
  const up = u + half;
  const un = u - half;
  const p = up / (sigma * Math.SQRT2);
  const n = un / (sigma * Math.SQRT2);
  const ep = Math.exp(-p * p);
  const en = Math.exp(-n * n);
  const along = (erfFrom(p, ep) - erfFrom(n, en)) / (2 * length);
  const gp = ep / (SQRT_2PI * sigma);
  const gn = en / (SQRT_2PI * sigma);
  const alongU = (gp - gn) / length;
  const alongUU = (-up * gp + un * gn) / (s2 * length);
  const alongL = -along / length + (gp + gn) / (2 * length);
  const value = across * along;
  const fu = flux * across * alongU;
  const fv = (-flux * value * v) / s2;
  const fVariance = 0.5 * flux * (across * alongUU + (value * ((v * v) / s2 - 1)) / s2);
  // d/dw at fixed m: the line grows, the Gaussian shrinks by half as much.
  const fw = (flux * across * alongL * 6) / length - 0.5 * fVariance;
  const fTheta = flux * across * (alongU * v + (along * u * v) / s2);
  const turn = fTheta / (2 * terms.w);
  out[0] = flux * value;
  out[1] = -(fu * cos - fv * sin);
  out[2] = -(fu * sin + fv * cos);
  out[3] = value;
  out[4] = fVariance;
  out[5] = fw * terms.cos2 - turn * terms.sin2;
  out[6] = fw * terms.sin2 + turn * terms.cos2;
}
