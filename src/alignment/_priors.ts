import { type Equations, pullOne } from './_equations.js';
import type { Layout } from './_layout.js';
import { LENS_VALUES } from './_lens-derivatives.js';
import { multiply, rotationLog, transpose } from './_rotation.js';
import { expectedCamera, type FramesInfo, type Priors, type State } from './_state.js';
import { addZenith, zenithCost } from './_zenith-belief.js';

/**
 * Lens values whose belief has heavy tails: the focal length, nearly right in most headers and quite wrong in
 * some, and the terms that bend, mostly small, now and then large. The axis lies near the middle always.
 */
const heavyTailed = (k: number): boolean => k === 0 || k >= 3;

const heavy = (squared: number): number => 2 * Math.log(1 + squared);

/** A segment's camera is free; the reference's own is held near by this, rad. */
const segmentSigma = (segment: number, own: number): number => (segment === own ? 0.02 : 1);

/** Cost of what a state asks us to believe of lens, way up and camera, before any star is looked at. */
export function priorCost(state: State, frames: FramesInfo, priors: Priors): number {
  const focal = Math.exp(state.lens[0]!);
  let cost = 0;
  for (let k = 0; k < LENS_VALUES; k++) {
    if (!(priors.lensSigma[k]! > 0)) continue;
    const off2 = ((state.lens[k]! - priors.lens[k]!) / priors.lensSigma[k]!) ** 2;
    cost += heavyTailed(k) ? heavy(off2) : off2;
  }
  if (priors.refraction > 0) cost += zenithCost(state, priors);
  if (priors.sag > 0) {
    const s = priors.sag / focal;
    cost += (state.sag[0] ** 2 + state.sag[1] ** 2 + state.sag[2] ** 2) / (s * s);
  }
  for (let s = 0; s < frames.segmentCount; s++) {
    const k = rotationLog(state.segments, 9 * s);
    const sigma = segmentSigma(s, frames.segment[frames.reference]!);
    cost += (k[0] ** 2 + k[1] ** 2 + k[2] ** 2) / (sigma * sigma);
  }
  const perpendicular = priors.drift / focal;
  for (let i = 0; i < frames.count; i++) {
    const v = cameraOffset(state, frames, i);
    const along = v[0] * state.pole[0] + v[1] * state.pole[1] + v[2] * state.pole[2];
    const across2 = Math.max(0, v[0] ** 2 + v[1] ** 2 + v[2] ** 2 - along * along);
    const sa = Math.hypot(frames.turnSigma[i]!, perpendicular);
    const offAcross = across2 / (perpendicular * perpendicular);
    const offAlong = Number.isFinite(sa) ? (along * along) / (sa * sa) : 0;
    cost += frames.steady?.[i] === 1 ? offAcross + offAlong : heavy(offAcross) + heavy(offAlong);
    if (priors.scale > 0) cost += heavy((Math.log(state.scale[i]!) / priors.scale) ** 2);
  }
  return cost;
}

/** Adds `priorCost` to the normal equations. */
export function addPriors(
  state: State,
  frames: FramesInfo,
  work: { readonly priors: Priors; readonly layout: Layout; readonly equations: Equations },
): void {
  const { priors, layout, equations } = work;
  const focal = Math.exp(state.lens[0]!);
  for (let k = 0; k < LENS_VALUES; k++) {
    if (layout.lens[k]! < 0) continue;
    const pull = priors.lens[k]! - state.lens[k]!;
    const off2 = (pull / priors.lensSigma[k]!) ** 2;
    const weight = (heavyTailed(k) ? 2 / (1 + off2) : 1) / priors.lensSigma[k]! ** 2;
    pullOne(equations, layout.lens[k]!, weight, pull);
  }
  addZenith(state, priors, layout, equations);
  if (layout.sag >= 0) {
    const s = priors.sag / focal;
    for (let q = 0; q < 3; q++) pullOne(equations, layout.sag + q, 1 / (s * s), -state.sag[q]!);
  }
  for (let s = 0; s < frames.segmentCount; s++) {
    const k = rotationLog(state.segments, 9 * s);
    const weight = 1 / segmentSigma(s, frames.segment[frames.reference]!) ** 2;
    for (let q = 0; q < 3; q++) pullOne(equations, layout.segments + 3 * s + q, weight, -k[q]!);
  }
  addCameras(state, frames, work);
}

/** The cameras' small motions and changes of scale. */
function addCameras(
  state: State,
  frames: FramesInfo,
  work: { readonly priors: Priors; readonly layout: Layout; readonly equations: Equations },
): void {
  const { priors, layout, equations } = work;
  const { matrix, right, total } = equations;
  const perpendicular = priors.drift / Math.exp(state.lens[0]!);
  const p = state.pole;
  for (let i = 0; i < frames.count; i++) {
    const v = cameraOffset(state, frames, i);
    const along = v[0] * p[0] + v[1] * p[1] + v[2] * p[2];
    const across2 = Math.max(0, v[0] ** 2 + v[1] ** 2 + v[2] ** 2 - along * along);
    const sa = Math.hypot(frames.turnSigma[i]!, perpendicular);
    const steady = frames.steady?.[i] === 1;
    const weigh = (off2: number, sigma2: number) => (steady ? 1 : 2 / (1 + off2 / sigma2)) / sigma2;
    const wAcross = weigh(across2, perpendicular * perpendicular);
    const wAlong = Number.isFinite(sa) ? weigh(along * along, sa * sa) : 0;
    // v = camera - segment - tau sag, to first order; weight matrix wAcross (I - p p^T) + wAlong p p^T.
    const parts: [number, number][] = [[layout.segments + 3 * frames.segment[i]!, -1]];
    if (layout.sag >= 0 && frames.tau[i] !== 0) parts.push([layout.sag, -frames.tau[i]!]);
    if (layout.frames[i]! >= 0) parts.push([layout.frames[i]!, 1]);
    for (let r = 0; r < 3; r++) {
      let force = 0;
      for (let c = 0; c < 3; c++) {
        const w = (r === c ? wAcross : 0) + (wAlong - wAcross) * p[r]! * p[c]!;
        force += w * v[c]!;
        for (const [a, fa] of parts) {
          for (const [b, fb] of parts) {
            if (b + c <= a + r) matrix[(a + r) * total + b + c]! += fa * fb * w;
          }
        }
      }
      for (const [a, fa] of parts) right[a + r]! -= fa * force;
    }
    if (layout.perFrame === 4 && layout.frames[i]! >= 0) {
      const log = Math.log(state.scale[i]!);
      const weight = 2 / (1 + (log / priors.scale) ** 2) / priors.scale ** 2;
      pullOne(equations, layout.frames[i]! + 3, weight, -log);
    }
  }
}

function cameraOffset(state: State, frames: FramesInfo, i: number): [number, number, number] {
  const expected = expectedCamera(state, frames.segment[i]!, frames.tau[i]!);
  return rotationLog(multiply(state.camera.subarray(9 * i, 9 * i + 9), transpose(expected)));
}
