import { madSigma, median } from '../core/index.js';
import { rotationLog } from './_rotation.js';
import type { FramesInfo, Observations, State } from './_state.js';

/** A knock moves the camera by more than this, px. @source FINDINGS lesson 5 */
const KNOCK = 5;

/**
 * Splits the run where the camera's own place steps and stays: medians of up to three fitted frames before
 * and after differ by more than a knock, and more than a steady sag there explains. A frame that jumps and
 * comes back is shaken, not a knock.
 */
export function findSegments(
  state: State,
  frames: FramesInfo,
  fitted: Uint8Array,
): { segment: Int32Array; count: number } {
  const focal = Math.exp(state.lens[0]!);
  const list: number[] = [];
  for (let i = 0; i < frames.count; i++) if (fitted[i] === 1) list.push(i);
  const places = list.map((i) => rotationLog(state.camera, 9 * i).map((v) => v * focal));
  const middle = (from: number, to: number): number[] =>
    [0, 1, 2].map((q) =>
      median(places.slice(Math.max(0, from), Math.min(places.length, to)).map((p) => p[q]!)),
    );
  const steps: number[] = [];
  for (let k = 1; k < list.length; k++) {
    const before = middle(k - 3, k);
    const after = middle(k, k + 3);
    const jump = Math.hypot(...[0, 1, 2].map((q) => after[q]! - before[q]!));
    const direct = Math.hypot(...[0, 1, 2].map((q) => places[k]![q]! - places[k - 1]![q]!));
    steps.push(Math.min(jump, direct));
  }
  const usual = median(steps);
  const spread = madSigma(steps);
  const segment = new Int32Array(frames.count);
  let count = 1;
  const limit = KNOCK + (Number.isFinite(usual) ? usual + 3 * spread : 0);
  const starts = new Map<number, number>();
  for (let k = 1; k < list.length; k++) {
    if (steps.length > 0 && steps[k - 1]! > limit) starts.set(list[k]!, count++);
  }
  let now = 0;
  for (let i = 0; i < frames.count; i++) {
    now = starts.get(i) ?? now;
    segment[i] = now;
  }
  return { segment, count };
}

/** Camera rotation of each segment: the middle of its frames. */
export function segmentStart(state: State, frames: FramesInfo, fitted: Uint8Array): Float64Array {
  const out = new Float64Array(9 * frames.segmentCount);
  for (let s = 0; s < frames.segmentCount; s++) {
    const members: number[] = [];
    for (let i = 0; i < frames.count; i++) if (frames.segment[i] === s && fitted[i] === 1) members.push(i);
    const middle = members[members.length >> 1];
    out.set(
      middle === undefined || s === frames.segment[frames.reference]
        ? [1, 0, 0, 0, 1, 0, 0, 0, 1]
        : state.camera.subarray(9 * middle, 9 * middle + 9),
      9 * s,
    );
  }
  return out;
}

/**
 * True when some frames are larger or smaller than the others by more than their noise and by more than a
 * tenth of a pixel at the corner: a creeping zoom, a touched focus, a lens that breathes (P08, P29).
 */
export function scalesDiffer(
  residuals: { readonly x: Float64Array; readonly y: Float64Array },
  given: { readonly state: State; readonly observations: Observations; readonly frames: FramesInfo },
): boolean {
  const { state, observations, frames } = given;
  const pull = new Float64Array(frames.count);
  const weight = new Float64Array(frames.count);
  let reach = 0;
  for (let k = 0; k < observations.count; k++) {
    const dx = observations.x[k]! - state.lens[1]!;
    const dy = observations.y[k]! - state.lens[2]!;
    const r = Math.hypot(residuals.x[k]!, residuals.y[k]!);
    if (r > 4 * observations.sigma[k]!) continue;
    const w = 1 / observations.sigma[k]! ** 2;
    pull[observations.frame[k]!]! += w * (dx * residuals.x[k]! + dy * residuals.y[k]!);
    weight[observations.frame[k]!]! += w * (dx * dx + dy * dy);
    reach = Math.max(reach, Math.hypot(dx, dy));
  }
  let odd = 0;
  for (let i = 0; i < frames.count; i++) {
    if (!(weight[i]! > 0)) continue;
    const scale = pull[i]! / weight[i]!;
    if (Math.abs(scale) * Math.sqrt(weight[i]!) > 4 && Math.abs(scale) * reach > 0.1) odd++;
  }
  return odd >= 2;
}
