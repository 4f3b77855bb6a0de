import { type LensModel, unprojectPixel } from '../alignment/index.js';
import { median, SIGMA_PER_MAD } from '../core/index.js';
import { solveSymmetric } from './_least-squares.js';
import { type Falloff, makeFalloff } from './falloff.js';

/** Light of a run's stars at the places where its frames show them; one entry a star and frame. */
export interface StarLight {
  readonly star: Int32Array;
  readonly frame: Int32Array;
  /** px */
  readonly x: Float32Array;
  readonly y: Float32Array;
  /** ADU, any linear scale that a frame has in common. */
  readonly flux: Float32Array;
  /** Air mass at the place; NaN = unknown. */
  readonly airmass: Float32Array;
  /** By star: V magnitude and B-V of the catalogue; NaN = not in it. */
  readonly magnitude: Float64Array;
  readonly colorIndex: Float64Array;
}

/** Natural logarithms to a magnitude. */
const PER_MAG = 0.4 * Math.LN10;

/** Stars and samples without which nothing is told. */
const STARS_NEEDED = 40;

/** Faintest share of the stars left out: near the limit a star is found where noise lifts it, more so in corners. */
const FAINT_SHARE = 0.45;

/** Extinction expected, mag for each air mass, and how much nights differ. @source common practice, 0.15 to 0.25 in green */
const EXTINCTION = { usual: 0.2, spread: 0.05 };

/** Light that grows by more or less than a tenth a magnitude too much: a tone curve, not a linear file. */
const LINEAR = 0.1;

/** Error of ln(light) in the corner above which the sky tells more. */
const WORST_ERROR = 0.05;

/** Powers of q that the falloff may have, then air mass, colour and magnitude. */
const RADIAL = [1, 2, 3] as const;
const TERMS = RADIAL.length + 3;
const AIR = 3;
const LEVEL = 5;

/** One star as the fit takes it: its middle light over the frames, and where they show it on average. */
interface Row {
  readonly value: number;
  /** q, q^2, q^3, air mass above 1, colour, magnitude; each against the middle of all stars. */
  readonly terms: number[];
}

/**
 * Fits the lens's falloff to the light of stars that the catalogue knows. The sky's own brightness, towns and the
 * Milky Way have no part in it, which is why it is asked before the sky is. ln(flux / catalogue) = zero of the
 * frame - a q - b q^2 - c q^3 - extinction (air mass - 1) + colour term, q = (distance from the lens's axis / half
 * diagonal)^2 and a, b, c >= 0. Stars tell the light that arrives; a pixel in the corner of a flat picture also
 * sees less sky, which the lens model tells and which is multiplied on.
 *
 * @returns undefined when the stars are too few, too far apart from the catalogue, or not linear
 * @source photometric flat from known stars: J. Manfroid, A&AS 113 (1995) 587, in its plainest form
 */
export function fitStarFalloff(
  light: StarLight,
  lens: LensModel,
  size: { readonly width: number; readonly height: number },
): Falloff | undefined {
  const radius = Math.hypot(size.width, size.height) / 2;
  const qAt = (x: number, y: number) => ((x - lens.centerX) ** 2 + (y - lens.centerY) ** 2) / radius ** 2;
  const rows = starRows(light, qAt);
  if (rows.length < STARS_NEEDED) return undefined;
  const best = bestFit(rows);
  if (!best || Math.abs(best.terms[LEVEL]!) > LINEAR * PER_MAG) return undefined;
  if (!(best.cornerError < WORST_ERROR)) return undefined;
  const [a, b, c] = best.terms;
  const solid = solidAngle(lens, radius);
  return makeFalloff(size, (q) => Math.exp(((c! * q + b!) * q + a!) * q) * solid(q), 'stars', lens);
}

/** Gathers what each star says; frames are brought to one zero by the stars they share. */
function starRows(light: StarLight, qAt: (x: number, y: number) => number): Row[] {
  const { star, frame, flux, magnitude, colorIndex, airmass } = light;
  const known = magnitude.filter(Number.isFinite).sort();
  const faintest = known[Math.floor((1 - FAINT_SHARE) * known.length)] ?? Number.NaN;
  const used: number[] = [];
  for (let i = 0; i < star.length; i++) {
    if (magnitude[star[i]!]! <= faintest && flux[i]! > 0) used.push(i);
  }
  const value = (i: number) => Math.log(flux[i]!) + PER_MAG * magnitude[star[i]!]!;
  const zeros = frameZeros(used, light, value);
  const byStar = new Map<number, number[]>();
  for (const i of used) {
    const own = byStar.get(star[i]!);
    if (own) own.push(i);
    else byStar.set(star[i]!, [i]);
  }
  const meanOf = (at: readonly number[], of: (i: number) => number) =>
    at.reduce((sum, i) => sum + of(i), 0) / at.length;
  const rows = Array.from(byStar, ([k, at]): Row => {
    const q = (power: number) => meanOf(at, (i) => qAt(light.x[i]!, light.y[i]!) ** power);
    const air = meanOf(at, (i) => airmass[i]! - 1);
    return {
      value: median(at.map((i) => value(i) - zeros[frame[i]!]!)),
      terms: [q(1), q(2), q(3), -PER_MAG * air, colorIndex[k]!, magnitude[k]!],
    };
  });
  // Without a zenith no air mass counts; a single unknown one leaves its star out.
  const airKnown = rows.filter(({ terms }) => Number.isFinite(terms[AIR])).length > rows.length / 2;
  if (!airKnown) for (const { terms } of rows) terms[AIR] = 0;
  return rows.filter(({ terms, value: own }) => Number.isFinite(own) && terms.every(Number.isFinite));
}

/** Zero of each frame, by turns with the stars' own levels: cloud and exposure change all stars of a frame alike. */
function frameZeros(
  used: readonly number[],
  { star, frame }: StarLight,
  value: (i: number) => number,
): Float64Array {
  const zeros = new Float64Array(used.reduce((most, i) => Math.max(most, frame[i]!), 0) + 1);
  const groups = (of: Int32Array) => {
    const found = new Map<number, number[]>();
    for (const i of used) {
      const own = found.get(of[i]!);
      if (own) own.push(i);
      else found.set(of[i]!, [i]);
    }
    return found;
  };
  const [stars, frames] = [groups(star), groups(frame)];
  for (let round = 0; round < 4; round++) {
    const level = new Map(
      Array.from(stars, ([k, at]) => [k, median(at.map((i) => value(i) - zeros[frame[i]!]!))]),
    );
    for (const [f, at] of frames) zeros[f] = median(at.map((i) => value(i) - level.get(star[i]!)!));
  }
  return zeros;
}

interface Fit {
  /** Slopes, the falloff's as ln(light) against the powers of q: <= 0. */
  readonly terms: readonly number[];
  readonly cornerError: number;
  readonly cost: number;
}

/** Least squares with falloff that can only fall: few enough terms to try every choice of them. */
function bestFit(rows: readonly Row[]): Fit | undefined {
  let best: Fit | undefined;
  for (let choice = 1; choice < 8; choice++) {
    const open = [...RADIAL.map((_, i) => (choice & (1 << i)) !== 0), true, true, true];
    const fit = fitRows(rows, open);
    if (!fit || RADIAL.some((_, i) => fit.terms[i]! > 0)) continue;
    if (!best || fit.cost < best.cost) best = fit;
  }
  return best;
}

/** Rounds of Cauchy weights: a star that varies, is double or has a neighbour loses its say. */
const ROUNDS = 8;

function fitRows(rows: readonly Row[], open: readonly boolean[]): Fit | undefined {
  const terms = open.flatMap((use, t) => (use ? [t] : []));
  const count = terms.length + 1;
  let weights = new Float64Array(rows.length).fill(1);
  let scatter = 0.2;
  let solved: number[] | undefined;
  let normal: number[][] = [];
  let cost = 0;
  for (let round = 0; round < ROUNDS; round++) {
    normal = Array.from({ length: count }, () => new Array<number>(count).fill(0));
    const right = new Array<number>(count).fill(0);
    rows.forEach((row, k) => {
      const design = [1, ...terms.map((t) => row.terms[t]!)];
      for (let i = 0; i < count; i++) {
        right[i]! += weights[k]! * design[i]! * row.value;
        for (let j = 0; j < count; j++) normal[i]![j]! += weights[k]! * design[i]! * design[j]!;
      }
    });
    // What nights usually do holds the extinction where heights differ little.
    const air = terms.indexOf(AIR) + 1;
    const held = (scatter / EXTINCTION.spread) ** 2;
    normal[air]![air]! += held;
    right[air]! += held * EXTINCTION.usual;
    const factor = normal.map((row) => [...row]);
    if (!solveSymmetric(factor, right)) return undefined;
    solved = right;
    const residuals = rows.map((row) =>
      terms.reduce((left, t, i) => left - solved![i + 1]! * row.terms[t]!, row.value - solved![0]!),
    );
    scatter = Math.max(0.01, SIGMA_PER_MAD * median(residuals.map(Math.abs)));
    cost = residuals.reduce((sum, r) => sum + Math.log1p((r / (2.4 * COST_SCATTER)) ** 2), 0);
    weights = Float64Array.from(residuals, (r) => 1 / (1 + (r / (2.4 * scatter)) ** 2));
  }
  const all = new Array<number>(TERMS).fill(0);
  terms.forEach((t, i) => {
    all[t] = solved![i + 1]!;
  });
  return { terms: all, cornerError: scatter * errorOf(normal, terms), cost };
}

/** ln(light) by which a star may differ from its catalogue, when fits are held against each other. */
const COST_SCATTER = 0.08;

/** Error of the falloff near the corner, q = 0.8, for a scatter of 1. */
function errorOf(normal: readonly (readonly number[])[], terms: readonly number[]): number {
  const along = [0, ...terms.map((t) => (t < RADIAL.length ? 0.8 ** RADIAL[t]! : 0))];
  const right = [...along];
  if (
    !solveSymmetric(
      normal.map((row) => [...row]),
      right,
    )
  )
    return Number.POSITIVE_INFINITY;
  return Math.sqrt(along.reduce((sum, value, i) => sum + value * right[i]!, 0));
}

/** Steps of the table of the lens's solid angle. */
const SOLID_STEPS = 64;

/** Sky that a pixel sees against one on the axis, by q; the mean around the axis. */
function solidAngle(lens: LensModel, radius: number): (q: number) => number {
  const at = (x: number, y: number): number => {
    const [a, b, c] = [
      unprojectPixel(lens, x, y),
      unprojectPixel(lens, x + 1, y),
      unprojectPixel(lens, x, y + 1),
    ];
    const [p, s] = [b, c].map((to) => [to[0] - a[0], to[1] - a[1], to[2] - a[2]] as const) as [
      Vector,
      Vector,
    ];
    return Math.hypot(p[1] * s[2] - p[2] * s[1], p[2] * s[0] - p[0] * s[2], p[0] * s[1] - p[1] * s[0]);
  };
  const middle = at(lens.centerX, lens.centerY);
  const table = Array.from({ length: SOLID_STEPS + 1 }, (_, k) => {
    const r = radius * Math.sqrt(k / SOLID_STEPS);
    const around = [0, 1, 2, 3].map((i) => {
      const angle = (i * Math.PI) / 2 + 0.6;
      return at(lens.centerX + r * Math.cos(angle), lens.centerY + r * Math.sin(angle)) / middle;
    });
    return around.reduce((sum, value) => sum + value, 0) / around.length;
  });
  return (q) => {
    const place = Math.min(1, q) * SOLID_STEPS;
    const k = Math.min(SOLID_STEPS - 1, Math.floor(place));
    return table[k]! + (table[k + 1]! - table[k]!) * (place - k);
  };
}

type Vector = readonly [number, number, number];
