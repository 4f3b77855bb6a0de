import type { StarTable } from '../core/index.js';
import { indexPoints, nearestPoint, type PointIndex } from './_points.js';
import { fitSurface, moveBy, type Surface, similaritySurface } from './_surface.js';
import { makeTriangles, matchTriangles } from './_triangles.js';
import { chooseStars, isUsable } from './choose-stars.js';

/** Which star of one frame is which of another. */
export interface PairMatch {
  /** Rows in the first and the second table, pair by pair. */
  readonly rowsA: Int32Array;
  readonly rowsB: Int32Array;
  /** The smooth field that carries places of the first frame to the second. */
  readonly surface: Surface;
  /** Typical distance of matched stars from the field, px (median). */
  readonly spread: number;
  /** How far above chance the match is: natural log of the odds against it. */
  readonly evidence: number;
}

export interface MatchOptions {
  readonly width: number;
  readonly height: number;
  /** Rows left out (1), as for things that stand still. */
  readonly skipA?: Uint8Array;
  readonly skipB?: Uint8Array;
  /** A field to try first, as from the neighbours. */
  readonly guess?: Surface;
}

/** Odds below which a match is not believed; thousands of trials are made a pair, ln(1e4) = 9. */
const MIN_EVIDENCE = 14;
const MIN_MATCHED = 4;
const PER_ZONE_A = 4;
const PER_ZONE_B = 6;
const MAX_TRIALS = 160;

interface Chosen {
  readonly rows: Int32Array;
  readonly x: Float64Array;
  readonly y: Float64Array;
}

function pick(stars: StarTable, rows: Int32Array): Chosen {
  return {
    rows,
    x: Float64Array.from(rows, (row) => stars.x[row]!),
    y: Float64Array.from(rows, (row) => stars.y[row]!),
  };
}

/**
 * Finds which stars of frame `a` are which of frame `b` from nothing but their places: asterisms of bright
 * stars spread over zones make trial fields, the trial that most stars follow is grown over the frame with
 * rising order and falling tolerance, and believed only far above chance. Undefined when nothing is.
 *
 * @source triangles: E. J. Groth, Astron. J. 91 (1986) 1244; belief against chance: L. Moisan and B. Stival,
 * Int. J. Computer Vision 57 (2004) 201.
 */
export function matchPair(a: StarTable, b: StarTable, options: MatchOptions): PairMatch | undefined {
  const { width, height } = options;
  const chosenA = pick(a, chooseStars(a, { width, height, perZone: PER_ZONE_A, skip: options.skipA }));
  const chosenB = pick(b, chooseStars(b, { width, height, perZone: PER_ZONE_B, skip: options.skipB }));
  if (chosenA.rows.length < MIN_MATCHED || chosenB.rows.length < MIN_MATCHED) return undefined;
  const spacing = Math.sqrt((width * height) / chosenB.rows.length);
  const setting: Setting = {
    width,
    height,
    chosenA,
    chosenB,
    indexA: indexPoints(chosenA.x, chosenA.y, { width, height, bin: spacing }),
    indexB: indexPoints(chosenB.x, chosenB.y, { width, height, bin: spacing }),
    reach: Math.min(40, Math.max(4, 0.06 * spacing)),
    density: chosenB.rows.length / (width * height),
    frame: { centerX: (width - 1) / 2, centerY: (height - 1) / 2, scale: Math.max(width, height) / 2 },
  };
  let best: Grown | undefined;
  if (options.guess) {
    const grown = grow(setting, options.guess, setting.reach);
    // A guess is taken at once only when most of the stars that could follow it do.
    if (grown && grown.evidence > 2 * MIN_EVIDENCE && grown.share > 0.45) best = grown;
  }
  if (!best) {
    for (const tolerance of [0.012, 0.05]) {
      for (const trial of trials(setting, tolerance)) {
        const grown = grow(setting, trial, setting.reach);
        if (grown && (!best || grown.evidence > best.evidence)) best = grown;
      }
      if (best && best.evidence > MIN_EVIDENCE) break;
    }
  }
  if (!best || best.evidence < MIN_EVIDENCE || best.count < MIN_MATCHED) return undefined;
  return matchAll(a, b, { ...options, best, setting });
}

interface Setting {
  readonly width: number;
  readonly height: number;
  readonly chosenA: Chosen;
  readonly chosenB: Chosen;
  readonly indexA: PointIndex;
  readonly indexB: PointIndex;
  /** First tolerance, px: a small part of the distance between chosen stars. */
  readonly reach: number;
  /** Chosen stars of b per px. */
  readonly density: number;
  readonly frame: { readonly centerX: number; readonly centerY: number; readonly scale: number };
}

interface Grown {
  readonly surface: Surface;
  readonly count: number;
  readonly spread: number;
  readonly evidence: number;
  /** Matched over those that the field carries into the frame. */
  readonly share: number;
}

/** The most promising trial fields from like triangles, best first. */
function trials(setting: Setting, tolerance: number): Surface[] {
  const { chosenA, chosenB, frame } = setting;
  const nB = chosenB.rows.length;
  const a = makeTriangles(chosenA.x, chosenA.y, 6);
  const b = makeTriangles(chosenB.x, chosenB.y, 7);
  const votes = new Float64Array(chosenA.rows.length * nB);
  const pairs: number[] = [];
  matchTriangles(a, b, {
    tolerance,
    found: (i, j) => {
      for (let k = 0; k < 3; k++) votes[a.corners[3 * i + k]! * nB + b.corners[3 * j + k]!]!++;
      pairs.push(i, j);
    },
  });
  const score = new Float64Array(pairs.length / 2);
  for (let p = 0; p < score.length; p++) {
    const i = pairs[2 * p]!;
    const j = pairs[2 * p + 1]!;
    // The least supported corner counts, so that one popular star alone does not make a trial.
    let least = Infinity;
    for (let k = 0; k < 3; k++) {
      least = Math.min(least, votes[a.corners[3 * i + k]! * nB + b.corners[3 * j + k]!]!);
    }
    score[p] = least;
  }
  const ranked = Array.from(score, (_, p) => p)
    .sort((p, q) => score[q]! - score[p]! || p - q)
    .slice(0, MAX_TRIALS);
  const rated: { surface: Surface; merit: number }[] = [];
  for (const p of ranked) {
    const i = pairs[2 * p]!;
    const j = pairs[2 * p + 1]!;
    const fit = similarityOf(
      [0, 1, 2].map((k) => a.corners[3 * i + k]!).map((k) => [chosenA.x[k]!, chosenA.y[k]!] as const),
      [0, 1, 2].map((k) => b.corners[3 * j + k]!).map((k) => [chosenB.x[k]!, chosenB.y[k]!] as const),
    );
    if (!fit) continue;
    const surface = similaritySurface(fit, frame);
    rated.push({ surface, merit: merit(setting, surface, fit.at) });
  }
  rated.sort((p, q) => q.merit - p.merit);
  return rated.slice(0, 6).map((r) => r.surface);
}

/** Log-likelihood that stars follow a trial field, with a tolerance that grows away from where it was made. */
function merit(setting: Setting, surface: Surface, at: readonly [number, number]): number {
  const { chosenA, indexB, density, width, height, reach } = setting;
  const place = new Float64Array(2);
  let sum = 0;
  for (let i = 0; i < chosenA.rows.length; i++) {
    moveBy(surface, chosenA.x[i]!, chosenA.y[i]!, place);
    if (place[0]! < 0 || place[1]! < 0 || place[0]! > width || place[1]! > height) continue;
    const distance = Math.hypot(chosenA.x[i]! - at[0], chosenA.y[i]! - at[1]);
    const tolerance = Math.min(reach, 2 + 0.03 * distance);
    const chance = Math.min(0.5, Math.PI * tolerance * tolerance * density);
    const found = nearestPoint(indexB, place[0]!, place[1]!, tolerance) >= 0;
    sum += found ? Math.log(0.6 / chance) : Math.log(0.4 / (1 - chance));
  }
  return sum;
}

/** Least-squares similarity between few places. @source S. Umeyama, IEEE PAMI 13 (1991) 376. */
export function similarityOf(
  from: readonly (readonly [number, number])[],
  to: readonly (readonly [number, number])[],
): { a: number; b: number; tx: number; ty: number; at: [number, number] } | undefined {
  const n = from.length;
  let mx = 0;
  let my = 0;
  let nx = 0;
  let ny = 0;
  for (let k = 0; k < n; k++) {
    mx += from[k]![0] / n;
    my += from[k]![1] / n;
    nx += to[k]![0] / n;
    ny += to[k]![1] / n;
  }
  let dot = 0;
  let wedge = 0;
  let square = 0;
  for (let k = 0; k < n; k++) {
    const x = from[k]![0] - mx;
    const y = from[k]![1] - my;
    const u = to[k]![0] - nx;
    const v = to[k]![1] - ny;
    dot += x * u + y * v;
    wedge += x * v - y * u;
    square += x * x + y * y;
  }
  if (!(square > 0)) return undefined;
  const a = dot / square;
  const b = wedge / square;
  return { a, b, tx: nx - a * mx + b * my, ty: ny - b * mx - a * my, at: [mx, my] };
}

/** Grows a trial field over the frame: rising order, falling tolerance. */
function grow(setting: Setting, start: Surface, reach: number): Grown | undefined {
  const { chosenA, chosenB, indexA, indexB, frame, width, height, density } = setting;
  const n = chosenA.rows.length;
  const place = new Float64Array(2);
  const ax = new Float64Array(n);
  const ay = new Float64Array(n);
  const bx = new Float64Array(n);
  const by = new Float64Array(n);
  let surface = start;
  let tolerance = reach;
  let count = 0;
  let inside = 0;
  let spread = tolerance;
  for (let round = 0; round < 7; round++) {
    count = 0;
    inside = 0;
    for (let i = 0; i < n; i++) {
      moveBy(surface, chosenA.x[i]!, chosenA.y[i]!, place);
      if (!(place[0]! >= 0 && place[1]! >= 0 && place[0]! <= width && place[1]! <= height)) continue;
      inside++;
      const j = nearestPoint(indexB, place[0]!, place[1]!, tolerance);
      if (j < 0) continue;
      // Mutual: no other star of a may lie nearer to where this star of b comes from.
      const back = nearestPoint(
        indexA,
        chosenA.x[i]! + chosenB.x[j]! - place[0]!,
        chosenA.y[i]! + chosenB.y[j]! - place[1]!,
        tolerance,
      );
      if (back !== i) continue;
      ax[count] = chosenA.x[i]!;
      ay[count] = chosenA.y[i]!;
      bx[count] = chosenB.x[j]!;
      by[count] = chosenB.y[j]!;
      count++;
    }
    if (count < MIN_MATCHED) return undefined;
    if (round === 6) break;
    const limit = round < 1 ? 1 : round < 2 ? 2 : 3;
    const order = Math.min(limit, count >= 36 ? 3 : count >= 14 ? 2 : 1) as 1 | 2 | 3;
    const pairs = { ax, ay, bx, by, count };
    const fitted = fitSurface(pairs, frame, {
      order,
      softness: Math.max(0.5, tolerance / 4),
      start: surface,
    });
    if (!fitted) return undefined;
    surface = fitted;
    spread = medianDistance(surface, pairs);
    const shrunk = Math.max(tolerance * 0.6, 2);
    tolerance = Math.max(Math.min(tolerance, shrunk), Math.min(tolerance, 4 * spread));
  }
  const chance = Math.min(0.5, Math.PI * tolerance * tolerance * density);
  const effective = count - (surface.order === 3 ? 10 : surface.order === 2 ? 6 : 3);
  return {
    surface,
    count,
    spread,
    share: count / inside,
    evidence: oddsAgainstChance(effective, inside, chance),
  };
}

function medianDistance(
  surface: Surface,
  pairs: {
    readonly ax: Float64Array;
    readonly ay: Float64Array;
    readonly bx: Float64Array;
    readonly by: Float64Array;
    readonly count: number;
  },
): number {
  const place = new Float64Array(2);
  const distance = new Float64Array(pairs.count);
  for (let i = 0; i < pairs.count; i++) {
    moveBy(surface, pairs.ax[i]!, pairs.ay[i]!, place);
    distance[i] = Math.hypot(pairs.bx[i]! - place[0]!, pairs.by[i]! - place[1]!);
  }
  distance.sort();
  return distance[pairs.count >> 1]!;
}

/** -ln of the chance that k or more of n random places fit. @source W. Hoeffding, J. Am. Stat. Ass. 58 (1963) 13. */
export function oddsAgainstChance(k: number, n: number, chance: number): number {
  if (k <= 0 || n <= 0 || k / n <= chance) return 0;
  const share = Math.min(1, k / n);
  const rest = share >= 1 ? 0 : (1 - share) * Math.log((1 - share) / (1 - chance));
  return n * (share * Math.log(share / chance) + rest);
}

/** Carries the field found by the chosen stars to all stars of both frames. */
function matchAll(
  a: StarTable,
  b: StarTable,
  options: MatchOptions & { readonly best: Grown; readonly setting: Setting },
): PairMatch {
  const { width, height, best, setting } = options;
  const rowsB: number[] = [];
  for (let j = 0; j < b.count; j++) if (options.skipB?.[j] !== 1 && isUsable(b, j)) rowsB.push(j);
  const allB = pick(b, Int32Array.from(rowsB));
  const indexB = indexPoints(allB.x, allB.y, {
    width,
    height,
    bin: Math.max(4, Math.sqrt((width * height) / Math.max(1, rowsB.length))),
  });
  const place = new Float64Array(2);
  let surface = best.surface;
  let tolerance = Math.min(4, Math.max(1.2, 5 * best.spread));
  let matchedA: number[] = [];
  let matchedB: number[] = [];
  for (let round = 0; round < 2; round++) {
    const takenBy = new Int32Array(b.count).fill(-1);
    const distanceOf = new Float64Array(b.count).fill(Infinity);
    for (let i = 0; i < a.count; i++) {
      if (options.skipA?.[i] === 1 || !isUsable(a, i)) continue;
      moveBy(surface, a.x[i]!, a.y[i]!, place);
      const j = nearestPoint(indexB, place[0]!, place[1]!, tolerance);
      if (j < 0) continue;
      const row = allB.rows[j]!;
      const distance = Math.hypot(allB.x[j]! - place[0]!, allB.y[j]! - place[1]!);
      if (distance < distanceOf[row]!) {
        distanceOf[row] = distance;
        takenBy[row] = i;
      }
    }
    matchedA = [];
    matchedB = [];
    for (let row = 0; row < b.count; row++) {
      if (takenBy[row]! < 0) continue;
      matchedA.push(takenBy[row]!);
      matchedB.push(row);
    }
    if (round === 1) break;
    const pairs = {
      ax: Float64Array.from(matchedA, (row) => a.x[row]!),
      ay: Float64Array.from(matchedA, (row) => a.y[row]!),
      bx: Float64Array.from(matchedB, (row) => b.x[row]!),
      by: Float64Array.from(matchedB, (row) => b.y[row]!),
      count: matchedA.length,
    };
    const order = pairs.count >= 36 ? 3 : pairs.count >= 14 ? 2 : 1;
    const fitted = fitSurface(pairs, setting.frame, { order, softness: 0.5, start: surface });
    if (fitted) {
      surface = fitted;
      tolerance = Math.min(2.5, Math.max(0.8, 5 * medianDistance(surface, pairs)));
    }
  }
  return {
    rowsA: Int32Array.from(matchedA),
    rowsB: Int32Array.from(matchedB),
    surface,
    spread: best.spread,
    evidence: best.evidence,
  };
}
