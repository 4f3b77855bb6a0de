import { median, SIDEREAL_RATE } from '../core/index.js';
import { directionsOf } from './_initial.js';
import { lensOf } from './_lens-derivatives.js';
import { apply, multiply, transpose } from './_rotation.js';
import { type FramesInfo, type Observations, type State, turnRotation } from './_state.js';

/** rad/s */
export const SKY_RATE = (SIDEREAL_RATE / 3600) * (Math.PI / 180);
/** The clock of a camera against the moment of a frame, s. @source headers give whole seconds: uniform error, 0.29 s. */
const CLOCK_SIGMA = 0.3;

/** What the clock says of the frames, one segment. */
export function framesInfo(times: readonly (number | undefined)[], reference: number): FramesInfo {
  const n = times.length;
  const clocked = times.every((t) => t !== undefined && Number.isFinite(t));
  const turn = new Float64Array(n);
  const tau = new Float64Array(n);
  const turnSigma = new Float64Array(n).fill(clocked ? CLOCK_SIGMA * SKY_RATE : Number.POSITIVE_INFINITY);
  for (let i = 0; i < n; i++) {
    if (clocked) turn[i] = (times[i]! - times[reference]!) * SKY_RATE;
    tau[i] = i - reference;
  }
  const span = Math.max(1e-9, ...Array.from(clocked ? turn : tau, Math.abs));
  for (let i = 0; i < n; i++) tau[i] = (clocked ? turn[i]! : tau[i]!) / span;
  return { count: n, reference, turn, turnSigma, tau, segment: new Int32Array(n), segmentCount: 1 };
}

/** A state of some frames as a state of all; the others stand where the reference stands. */
export function widen(state: State, own: readonly number[], count: number): State {
  const camera = new Float64Array(9 * count);
  for (let i = 0; i < count; i++) camera.set([1, 0, 0, 0, 1, 0, 0, 0, 1], 9 * i);
  const scale = new Float64Array(count).fill(1);
  own.forEach((i, k) => {
    camera.set(state.camera.subarray(9 * k, 9 * k + 9), 9 * i);
    scale[i] = state.scale[k]!;
  });
  return { ...state, camera, scale };
}

/** Star directions as means over their frames, by the present model. */
export function averageDirections(
  state: State,
  observations: Observations,
  frames: FramesInfo,
): Float64Array {
  const seen = directionsOf(lensOf(state.projection, state.lens), observations);
  const back = Array.from({ length: frames.count }, (_, i) =>
    transpose(multiply(state.camera.subarray(9 * i, 9 * i + 9), turnRotation(state, frames.turn[i]!))),
  );
  const stars = new Float64Array(3 * observations.trackCount);
  for (let t = 0; t < observations.trackCount; t++) {
    const xs: number[] = [];
    const ys: number[] = [];
    const zs: number[] = [];
    for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
      const d = apply(back[observations.frame[k]!]!, seen.subarray(3 * k, 3 * k + 3));
      xs.push(d[0]);
      ys.push(d[1]);
      zs.push(d[2]);
    }
    const v = [median(xs), median(ys), median(zs)];
    const length = Math.hypot(...v);
    stars.set(
      v.map((c) => c / length),
      3 * t,
    );
  }
  return stars;
}
