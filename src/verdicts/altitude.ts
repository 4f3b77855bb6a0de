import { type Alignment, unprojectPixel } from '../alignment/index.js';
import { degToRad, radToDeg } from '../core/index.js';

type Vector = readonly [number, number, number];

const dot = (a: Vector, b: Vector): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

/** Up in the camera's axes (x right, y down, z forward) when it stands as the EXIF orientation says. */
function upOf(orientation: number): Vector {
  // 6: the stored picture's left side is up; 8: its right side. @source EXIF 2.32, tag 0x0112
  if (orientation === 6 || orientation === 5) return [-1, 0, 0];
  if (orientation === 8 || orientation === 7) return [1, 0, 0];
  if (orientation === 3 || orientation === 4) return [0, 1, 0];
  return [0, -1, 0];
}

/** Axis about which the sky turned from the first fitted frame to the last, right-handed; undefined when it hardly did. */
function turningAxis(alignment: Alignment): Vector | undefined {
  const fitted = alignment.frames.filter((frame) => frame.status === 'fitted');
  const first = fitted[0]?.rotation;
  const last = fitted.at(-1)?.rotation;
  if (!first || !last) return undefined;
  // R = last * first^T turns directions of the first frame into those of the last.
  const at = (i: number, j: number): number =>
    [0, 1, 2].reduce((sum, k) => sum + last[i * 3 + k]! * first[j * 3 + k]!, 0);
  const axis: Vector = [at(2, 1) - at(1, 2), at(0, 2) - at(2, 0), at(1, 0) - at(0, 1)];
  const length = Math.hypot(...axis);
  return length < 1e-4 ? undefined : [axis[0] / length, axis[1] / length, axis[2] / length];
}

/**
 * Error of the pole from which on the zenith is called unknown, deg. Air mass needs no more than this; the bound
 * for a *known* pole is far stricter, and runs of an hour did without air mass for it.
 */
const MAX_POLE_ERROR = 10;

/**
 * Finds the zenith in the camera's axes from the pole that the stars turn about, the latitude, and the
 * assumption that a tripod stands level from side to side (good to a few degrees, enough for air mass).
 *
 * The sky turns clockwise about the north pole seen from inside: the turn's right-handed axis is the south pole.
 *
 * @param latitude deg
 * @returns unit vector; undefined when the pole is unknown or no level camera fits
 */
export function zenithInCamera(
  alignment: Alignment,
  options: { readonly latitude: number; readonly orientation?: number | undefined },
): Vector | undefined {
  const { model, polePosition } = alignment;
  if (!model || !polePosition || !(polePosition.error < MAX_POLE_ERROR)) return undefined;
  const turning = turningAxis(alignment);
  if (!turning) return undefined;
  // The model's pole is better known than one pair's axis; only its sense is taken from the turn.
  const sense = Math.sign(dot(model.pole, turning));
  const south: Vector = [model.pole[0] * sense, model.pole[1] * sense, model.pole[2] * sense];
  const raised: Vector = options.latitude < 0 ? south : [-south[0], -south[1], -south[2]];
  const up = upOf(options.orientation ?? 1);
  const a = dot(up, raised);
  const b = raised[2];
  const share = Math.sin(degToRad(Math.abs(options.latitude))) / Math.hypot(a, b);
  if (!(Math.abs(share) <= 1)) return undefined;
  const middle = Math.atan2(b, a);
  const pitches = [middle + Math.acos(share), middle - Math.acos(share)]
    .map((pitch) => Math.atan2(Math.sin(pitch), Math.cos(pitch)))
    .filter((pitch) => pitch > degToRad(-10) && pitch <= degToRad(95));
  if (pitches.length === 0) return undefined;
  const candidates = pitches.map(
    (angle): Vector => [Math.cos(angle) * up[0], Math.cos(angle) * up[1], Math.sin(angle)],
  );
  // Two pitches may give the pole the same height. Where the alignment saw refraction, that tells them apart;
  // else the usual one, the camera raised by some 35 deg.
  const [rx = 0, ry = 0, rz = 0, strength = 0] = model.lowOrder;
  const hint: Vector =
    strength > 0 ? [rx, ry, rz] : [Math.cos(0.6) * up[0], Math.cos(0.6) * up[1], Math.sin(0.6)];
  return candidates.reduce((best, other) => (dot(other, hint) > dot(best, hint) ? other : best));
}

/** Altitude of a place on a frame above the horizon, deg, refraction ignored. */
export function altitudeAt(alignment: Alignment, zenith: Vector, x: number, y: number): number {
  if (!alignment.model) return Number.NaN;
  return radToDeg(
    Math.asin(Math.max(-1, Math.min(1, dot(unprojectPixel(alignment.model.lens, x, y), zenith)))),
  );
}
