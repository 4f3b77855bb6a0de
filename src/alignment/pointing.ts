import { degToRad, radToDeg } from '../core/index.js';
import { apply, cross, normalize, transpose, type Vector } from './_rotation.js';
import { fitRotation } from './fit-rotation.js';

/** Where the reference camera looks among the stars of the catalogue. */
export interface SolvedPointing {
  /** Row-major 3x3: J2000 direction to the reference camera's axes. */
  readonly toCamera: readonly number[];
  /** Catalogue stars found, and how far off they are, deg rms. */
  readonly matched: number;
  readonly rms: number;
}

export interface PointingInput {
  /** Directions of the run's stars in the reference camera's axes, unit vectors, x, y, z each. */
  readonly directions: ArrayLike<number>;
  /** Their light, any unit; the brightest are used. */
  readonly flux: ArrayLike<number>;
  /** J2000 unit vectors of catalogue stars, x, y, z each, and their magnitudes. */
  readonly catalogue: ArrayLike<number>;
  readonly magnitude: ArrayLike<number>;
}

/** Stars that pairs are made of, that a pair's turn is tried on, and that the last fit uses. */
const PAIRED = 13;
const BRIGHT = 40;
const MANY = 160;

/** Catalogue stars wanted in a field of view for the pairs, and most of the sky looked at. */
const IN_FIELD = [12, 30] as const;
const MOST = 3000;

/** deg by which the separation of a pair may be off, and its share (lens and focal length are not perfectly known). */
const PAIR_ERROR = 0.2;
const PAIR_SHARE = 0.012;

/** deg: wider pairs suffer from what the lens model lacks. */
const WIDEST = 45;

/** Pairs that are tried at most, six at a time. */
const MOST_PAIRS = 36;

/** Share of the stars looked at that ends the search at once. */
const SURE_SHARE = 0.55;

/** Share of the stars looked at that must be in the catalogue where they should. */
const LEAST_SHARE = 0.3;

/** Fewest catalogue stars that make a pointing believable. */
const LEAST = 12;

/**
 * Finds the pointing of a run by its stars alone: pairs of bright stars are laid on catalogue pairs of the same
 * separation, each turn is tried on more stars, and the best are refined by least squares with a shrinking reach.
 * Neither clock nor site is needed.
 *
 * @returns undefined when no turn is plainly better than chance
 * @source pairs by separation: D. Mortari et al., Navigation 51 (2004) 135, in its plainest form; attitude of two
 * directions: H. D. Black, AIAA J. 2 (1964) 1350; refinement: G. Wahba, SIAM Review 7 (1965) 409
 */
export function solvePointing(input: PointingInput): SolvedPointing | undefined {
  const seen = brightest(input.directions, input.flux, MANY, true);
  if (seen.length < LEAST) return undefined;
  const few = seen.slice(0, BRIGHT);
  const reach = fieldReach(few);
  const field = 2 * Math.PI * (1 - Math.cos(degToRad(reach))) * radToDeg(1) ** 2;
  const deep = brightest(input.catalogue, input.magnitude, 12 * MOST, false);
  const middle = middleOf(few);
  // Chance: catalogue stars per square degree times the area of the last reach, for each star looked at.
  const byChance = (seen.length * 3 * MANY * Math.PI * LAST_REACH ** 2) / field;
  const enough = Math.max(LEAST, LEAST_SHARE * seen.length, 2 * byChance + 4);
  let best: SolvedPointing | undefined;
  // A poor part of the sky needs a deeper list; a pair that holds a planet fits nowhere, the next one may.
  for (const wanted of IN_FIELD) {
    const list = deep.slice(0, Math.min(MOST, Math.max(60, Math.round((wanted * 41_253) / field))));
    for (const pairs of groupsOfPairs(seen.slice(0, PAIRED))) {
      const candidates = pairTurns(pairs, list)
        .map((turn) => ({ turn, score: score(turn, seen.slice(0, 15), list, 0.7) }))
        .sort((a, b) => b.score - a.score)
        .slice(0, 8);
      for (const { turn } of candidates) {
        const back = apply(transpose(turn), middle);
        const limit = Math.cos(degToRad(Math.min(180, reach + 2)));
        const near = deep.filter((star) => dot(star, back) > limit).slice(0, 3 * MANY);
        const found = refine(turn, seen, near);
        if (found && (!best || found.matched > best.matched)) best = found;
      }
      if (best && best.matched > Math.max(enough, SURE_SHARE * seen.length)) return best;
    }
  }
  return best && best.matched > enough ? best : undefined;
}

interface Pair {
  readonly a: Vector;
  readonly b: Vector;
  readonly separation: number;
}

/** Pairs of seen stars, the widest first (they turn the most exactly and are the rarest), a few at a time. */
function groupsOfPairs(seen: readonly Vector[]): Pair[][] {
  const pairs: Pair[] = [];
  for (let i = 0; i < seen.length; i++) {
    for (let j = i + 1; j < seen.length; j++) {
      const separation = angle(seen[i]!, seen[j]!);
      if (separation > 3 && separation < WIDEST) pairs.push({ a: seen[i]!, b: seen[j]!, separation });
    }
  }
  pairs.sort((one, other) => other.separation - one.separation);
  return Array.from({ length: Math.ceil(Math.min(MOST_PAIRS, pairs.length) / 6) }, (_, i) =>
    pairs.slice(6 * i, 6 * i + 6),
  );
}

/** Turns, J2000 to camera, that lay a pair of seen stars on a catalogue pair of the same separation. */
function pairTurns(used: readonly Pair[], catalogue: readonly Vector[]): number[][] {
  const turns: number[][] = [];
  const widest = Math.max(...used.map(({ separation }) => separation)) + 2;
  const limit = Math.cos(degToRad(Math.min(180, widest)));
  for (let i = 0; i < catalogue.length; i++) {
    for (let j = i + 1; j < catalogue.length; j++) {
      const cosine = dot(catalogue[i]!, catalogue[j]!);
      if (cosine < limit) continue;
      const separation = radToDeg(Math.acos(Math.min(1, cosine)));
      for (const pair of used) {
        if (Math.abs(pair.separation - separation) > PAIR_ERROR + PAIR_SHARE * separation) continue;
        turns.push(turnOf(catalogue[i]!, catalogue[j]!, pair.a, pair.b));
        turns.push(turnOf(catalogue[j]!, catalogue[i]!, pair.a, pair.b));
      }
    }
  }
  return turns;
}

const angle = (a: Vector, b: Vector): number => radToDeg(Math.acos(Math.max(-1, Math.min(1, dot(a, b)))));

/** The rotation that takes one pair of directions to another. */
function turnOf(fromA: Vector, fromB: Vector, toA: Vector, toB: Vector): number[] {
  const axes = (a: Vector, b: Vector): [Vector, Vector, Vector] => {
    const n = normalize(cross(a, b));
    return [a, n, cross(a, n)];
  };
  const [f, t] = [axes(fromA, fromB), axes(toA, toB)];
  return [0, 1, 2].flatMap((i) =>
    [0, 1, 2].map((j) => t[0][i]! * f[0][j]! + t[1][i]! * f[1][j]! + t[2][i]! * f[2][j]!),
  );
}

const dot = (a: Vector, b: Vector): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

/** Unit vectors in order of brightness: most light first, or least magnitude first. */
function brightest(
  vectors: ArrayLike<number>,
  light: ArrayLike<number>,
  count: number,
  isFlux: boolean,
): Vector[] {
  const order = Array.from({ length: light.length }, (_, i) => i)
    .filter((i) => Number.isFinite(light[i]!) && Number.isFinite(vectors[3 * i]!))
    .sort((a, b) => (isFlux ? light[b]! - light[a]! : light[a]! - light[b]!));
  return order.slice(0, count).map((i) => [vectors[3 * i]!, vectors[3 * i + 1]!, vectors[3 * i + 2]!]);
}

function middleOf(vectors: readonly Vector[]): Vector {
  const sum = vectors.reduce<Vector>(
    (total, v) => [total[0] + v[0], total[1] + v[1], total[2] + v[2]],
    [0, 0, 0],
  );
  const length = Math.hypot(...sum);
  return [sum[0] / length, sum[1] / length, sum[2] / length];
}

/** deg from the middle of the stars to the farthest. */
function fieldReach(vectors: readonly Vector[]): number {
  const middle = middleOf(vectors);
  return radToDeg(
    Math.acos(
      Math.min(
        1,
        vectors.reduce((least, v) => Math.min(least, dot(v, middle)), 1),
      ),
    ),
  );
}

/** Seen stars that have a catalogue star within `reach` deg. */
function score(
  turn: readonly number[],
  seen: readonly Vector[],
  near: readonly Vector[],
  reach: number,
): number {
  const limit = Math.cos(degToRad(reach));
  const back = transpose(turn);
  let count = 0;
  for (const star of seen) {
    const [x, y, z] = apply(back, star);
    for (const other of near) {
      if (x * other[0] + y * other[1] + z * other[2] > limit) {
        count++;
        break;
      }
    }
  }
  return count;
}

/** deg within which a star must lie at the end. */
const LAST_REACH = 0.25;

function refine(
  start: readonly number[],
  seen: readonly Vector[],
  near: readonly Vector[],
): SolvedPointing | undefined {
  let turn = start;
  let matched = 0;
  let rms = Number.NaN;
  for (const reach of [0.9, 0.7, 0.5, 0.4, 0.3, LAST_REACH, LAST_REACH]) {
    // Far out only bright stars tell anything; faint ones come in as the reach shrinks.
    const some = reach > 0.6 ? seen.slice(0, BRIGHT) : seen;
    const others = reach > 0.6 ? near.slice(0, 3 * BRIGHT) : near;
    const from: number[] = [];
    const to: number[] = [];
    let sum = 0;
    const limit = Math.cos(degToRad(reach));
    const turned = others.map((star) => apply(turn, star));
    for (const star of some) {
      let best = -1;
      let closest = limit;
      for (let k = 0; k < turned.length; k++) {
        const cosine = dot(star, turned[k]!);
        if (cosine > closest) {
          closest = cosine;
          best = k;
        }
      }
      if (best < 0) continue;
      from.push(...others[best]!);
      to.push(...star);
      sum += 2 * (1 - closest);
    }
    matched = from.length / 3;
    if (matched < 5) return undefined;
    rms = radToDeg(Math.sqrt(sum / matched));
    const next = fitRotation(from, to, { start: turn });
    if (!next) return undefined;
    turn = next;
  }
  return { toCamera: turn, matched, rms };
}
