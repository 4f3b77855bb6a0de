import { degToRad } from '../core/index.js';
import { type Equations, pullBy, pullOne } from './_equations.js';
import type { Layout } from './_layout.js';
import { tangentBasis } from './_rotation.js';
import type { Priors, State } from './_state.js';

/** Tripods at night are level to this, rad: scale of a heavy-tailed prior on the horizon's tilt in the picture. */
const LEVEL = 0.03;
/** Named sites are this near, rad, pole included. */
const LATITUDE_SIGMA = 0.01;
/** Sine of the height at which lenses on tripods look at night, and its spread. @source common practice: 10 to 60 deg, seldom above. */
export const USUAL_AIM = { sine: 0.55, sigma: 0.35 } as const;
/** Cost of a camera stood on its side against what the header says, twice that on its head. */
const TURNED_COST = 4;

/** Cost of the way up and the strength of refraction before any star tells. */
export function zenithCost(state: State, priors: Priors): number {
  const strength = ((state.refraction[3]! - 1) / priors.refraction) ** 2;
  const latitude =
    priors.latitude === undefined ? 0 : (latitudeMisfit(state, priors.latitude) / LATITUDE_SIGMA) ** 2;
  return strength + levelCost(state, priors) + latitude;
}

/** The same for a first sorting of ways up, the pole not yet settled: a wrong latitude costs no more than so much. */
export function wayUpCost(state: State, priors: Priors): number {
  if (priors.latitude === undefined) return levelCost(state, priors);
  const off2 = (latitudeMisfit(state, priors.latitude) / (3 * LATITUDE_SIGMA)) ** 2;
  return levelCost(state, priors) + 5 * Math.log(1 + off2 / 5);
}

/** A camera stands level, upright, and looks at a usual height. */
function levelCost(state: State, priors: Priors): number {
  const [x, y, z] = state.refraction as [number, number, number, number];
  return (
    2 * Math.log(1 + (tiltOf(state.refraction).value / LEVEL) ** 2) +
    ((z - priors.aim.sine) / priors.aim.sigma) ** 2 +
    TURNED_COST * (Math.hypot(x, y) - x * priors.up[0] - y * priors.up[1])
  );
}

/** Adds `zenithCost` to the equations, to second order where it has one. */
export function addZenith(state: State, priors: Priors, layout: Layout, equations: Equations): void {
  const at = layout.refraction;
  if (at < 0) return;
  const [x, y, z, strength] = state.refraction as [number, number, number, number];
  // Weak holds on the zenith keep the equations regular where the data say nothing of it.
  pullOne(equations, at, 1, 0);
  pullOne(equations, at + 1, 1, 0);
  pullOne(equations, at + 2, 1 / priors.refraction ** 2, 1 - strength);
  const basis = tangentBasis(state.refraction);
  const along = (k: 0 | 1 | 2): [number, number][] => basis.map((e, q) => [at + q, e[k]]);
  const tilt = tiltOf(state.refraction);
  const weight = 2 / (1 + (tilt.value / LEVEL) ** 2) / LEVEL ** 2;
  pullBy(equations, { slopes: along(tilt.axis), weight, value: tilt.value });
  pullBy(equations, { slopes: along(2), weight: 1 / priors.aim.sigma ** 2, value: z - priors.aim.sine });
  const length = Math.max(1e-6, Math.hypot(x, y));
  basis.forEach((e, q) => {
    const slope = (e[0] * x + e[1] * y) / length - e[0] * priors.up[0] - e[1] * priors.up[1];
    equations.right[at + q]! -= (TURNED_COST * slope) / 2;
  });
  if (priors.latitude === undefined) return;
  const dot = (a: readonly number[], b: readonly number[]) => a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!;
  pullBy(equations, {
    slopes: [
      ...tangentBasis(state.pole).map((e, q): [number, number] => [
        layout.pole + q,
        dot(e, state.refraction),
      ]),
      ...basis.map((e, q): [number, number] => [at + q, dot(e, state.pole)]),
    ],
    weight: 1 / LATITUDE_SIGMA ** 2,
    value: latitudeMisfit(state, priors.latitude),
  });
}

/** Up in the picture's own axes for an EXIF orientation. @source EXIF 2.32, tag 0x0112: 6 = the left side is up, 8 = the right */
export function upOf(orientation: number | undefined): readonly [number, number] {
  if (orientation === 5 || orientation === 6) return [-1, 0];
  if (orientation === 7 || orientation === 8) return [1, 0];
  if (orientation === 3 || orientation === 4) return [0, 1];
  return [0, -1];
}

/** Tilt of the horizon against the nearer pair of the picture's edges: landscape or portrait. */
function tiltOf(zenith: readonly number[]): { axis: 0 | 1; value: number } {
  const axis = Math.abs(zenith[0]!) <= Math.abs(zenith[1]!) ? 0 : 1;
  return { axis, value: zenith[axis]! };
}

/** The sky turns about the celestial south pole by the right-hand rule: zenith . pole = -sin(latitude). */
function latitudeMisfit(state: State, latitude: number): number {
  const [x, y, z] = state.pole;
  const [u, v, w] = state.refraction as [number, number, number];
  return x * u + y * v + z * w + Math.sin(degToRad(latitude));
}
