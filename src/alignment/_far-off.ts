import { median, type StarTable } from '../core/index.js';
import { residualsOf } from './_fit-run.js';
import type { SkyFit } from './_fit-sky.js';
import { directionAt } from './_link.js';
import { normalize } from './_rotation.js';
import { type Observations, turnRotation } from './_state.js';
import { observe, type Track } from './_tracks.js';

const ZONES = 5;
/** Stars that a zone must show before it is asked. */
const MIN_STARS = 4;
/** Typical miss of a zone's stars from which on the model does not hold there, px; noise alone stays below half of it. */
const MISS = 1;
/** Zones in which it may miss: lamps and lit land follow no sky. */
const MISSED_ZONES = 2;
/** A detection that moves by less than this through its whole track stands still, px. */
const STANDS = 1.5;

/**
 * Holds the fitted model against the stars as the chain of neighbours matched them, without any model. The
 * model's own links cannot tell: stars that it misses are never linked. Returns what is wrong as one plain
 * sentence, or undefined when the model holds over the frame.
 */
export function farOff(
  tables: readonly StarTable[],
  tracks: readonly Track[],
  given: { readonly fit: SkyFit; readonly width: number; readonly height: number },
): string | undefined {
  const { fit, width, height } = given;
  const own = tracks
    .map((track) => track.filter(([i]) => fit.fitted[i] === 1))
    .filter((track) => track.length >= 2 && moves(tables, track));
  const { observations } = observe(tables, own, { noise: 1, minFrames: 2 });
  const stars = meanDirections(fit, observations);
  const { x, y } = residualsOf({ ...fit.state, stars }, { ...fit, observations });
  const misses: number[][] = Array.from({ length: ZONES * ZONES }, () => []);
  for (let t = 0; t < observations.trackCount; t++) {
    const from = observations.trackStart[t]!;
    const to = observations.trackStart[t + 1]!;
    const sizes: number[] = [];
    // Where the lens shows nothing, the star is as far off as can be.
    for (let k = from; k < to; k++) {
      const size = Math.hypot(x[k]!, y[k]!);
      sizes.push(size > 0 ? size : MISS);
    }
    const middle = (from + to) >> 1;
    const column = Math.min(ZONES - 1, Math.max(0, Math.floor((observations.x[middle]! / width) * ZONES)));
    const row = Math.min(ZONES - 1, Math.max(0, Math.floor((observations.y[middle]! / height) * ZONES)));
    misses[row * ZONES + column]!.push(median(sizes));
  }
  const asked = misses.filter((zone) => zone.length >= MIN_STARS).map((zone) => median(zone));
  const missed = asked.filter((miss) => !(miss < MISS));
  if (missed.length <= MISSED_ZONES) return undefined;
  return `In ${missed.length} of ${asked.length} zones of the picture the stars miss the places that lens and pole give them, by up to ${Math.max(...missed).toFixed(1)} px.`;
}

/** Middle direction of each track's sights, above refraction. */
function meanDirections(fit: SkyFit, observations: Observations): Float64Array {
  const { state, frames } = fit;
  const turns = Array.from({ length: frames.count }, (_, i) => turnRotation(state, frames.turn[i]!));
  const out = new Float64Array(3 * observations.trackCount);
  for (let t = 0; t < observations.trackCount; t++) {
    const sights: (readonly number[])[] = [];
    for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
      const index = observations.frame[k]!;
      const place = [observations.x[k]!, observations.y[k]!] as const;
      sights.push(directionAt(state, { index, turn: turns[index]! }, place));
    }
    out.set(normalize([0, 1, 2].map((q) => median(sights.map((d) => d[q]!)))), 3 * t);
  }
  return out;
}

function moves(tables: readonly StarTable[], track: Track): boolean {
  const [a, rowA] = track[0]!;
  const [b, rowB] = track[track.length - 1]!;
  const dx = tables[b]!.x[rowB]! - tables[a]!.x[rowA]!;
  const dy = tables[b]!.y[rowB]! - tables[a]!.y[rowA]!;
  return Math.hypot(dx, dy) > STANDS;
}
