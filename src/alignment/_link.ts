import type { StarTable } from '../core/index.js';
import { lensOf, makeProjected, projectWithDerivatives } from './_lens-derivatives.js';
import { indexPoints, nearestPoint } from './_points.js';
import { apply, applyTransposed } from './_rotation.js';
import { type FramesInfo, type State, turnRotation } from './_state.js';
import type { Track } from './_tracks.js';
import { isUsable } from './choose-stars.js';
import { unprojectPixel } from './geometry.js';
import { refract, unrefract } from './refraction.js';

/** Where a frame shows a direction of the reference camera's axes: [x, y], NaN where it does not. */
export function placeOn(
  state: State,
  frame: { readonly index: number; readonly turn: readonly number[] },
  direction: ArrayLike<number>,
): [number, number] {
  const apparent = refract(state.refraction, apply(frame.turn, direction));
  const d = apply(state.camera.subarray(9 * frame.index, 9 * frame.index + 9), apparent);
  const out = makeProjected();
  const shown = projectWithDerivatives(
    state.projection,
    state.lens,
    { x: d[0], y: d[1], z: d[2], scale: state.scale[frame.index]! },
    out,
    false,
  );
  return shown ? [out.x, out.y] : [Number.NaN, Number.NaN];
}

/** The direction, in the reference camera's axes and above refraction, that a place of a frame shows. */
export function directionAt(
  state: State,
  frame: { readonly index: number; readonly turn: readonly number[] },
  place: readonly [number, number],
): [number, number, number] {
  const lens = lensOf(state.projection, state.lens);
  const d = unprojectPixel(
    { ...lens, focalLengthPx: lens.focalLengthPx * state.scale[frame.index]! },
    ...place,
  );
  const apparent = applyTransposed(state.camera.subarray(9 * frame.index, 9 * frame.index + 9), d);
  return applyTransposed(frame.turn, unrefract(state.refraction, apparent));
}

/**
 * Links all detections of the fitted frames into tracks through the model: outward from the reference, each
 * frame's stars join the track predicted within `radius` px, mutually nearest; the rest begin new tracks.
 *
 * @param fitted  1 for frames whose camera is known
 * @returns tracks of `minFrames` frames and more, and the directions found for them (x, y, z each)
 */
export function linkByModel(
  tables: readonly StarTable[],
  given: { readonly state: State; readonly frames: FramesInfo; readonly fitted: Uint8Array },
  options: {
    readonly width: number;
    readonly height: number;
    readonly radius: number;
    readonly minFrames: number;
    readonly skip?: readonly Uint8Array[] | undefined;
  },
): { tracks: Track[]; directions: Float64Array } {
  const { state, frames, fitted } = given;
  const { width, height, radius } = options;
  const order = Array.from({ length: frames.count }, (_, i) => i)
    .filter((i) => fitted[i] === 1)
    .sort((a, b) => Math.abs(a - frames.reference) - Math.abs(b - frames.reference) || a - b);
  const tracks: [number, number][][] = [];
  const sum: [number, number, number][] = [];
  const lastHit: number[] = [];
  let live: number[] = [];
  for (let turn = 0; turn < order.length; turn++) {
    const i = order[turn]!;
    const table = tables[i]!;
    const frame = { index: i, turn: turnRotation(state, frames.turn[i]!) };
    const at: number[] = [];
    const px: number[] = [];
    const py: number[] = [];
    for (const t of live) {
      const length = Math.hypot(...sum[t]!);
      const [x, y] = placeOn(
        state,
        frame,
        sum[t]!.map((v) => v / length),
      );
      if (!(x > -radius && y > -radius && x < width + radius && y < height + radius)) continue;
      at.push(t);
      px.push(x);
      py.push(y);
    }
    const index = indexPoints(Float64Array.from(px), Float64Array.from(py), {
      width,
      height,
      bin: Math.max(8, Math.sqrt((width * height) / Math.max(1, at.length))),
    });
    const best = new Map<number, { row: number; distance: number }>();
    const lost: number[] = [];
    for (let row = 0; row < table.count; row++) {
      if (!isUsable(table, row) || options.skip?.[i]?.[row] === 1) continue;
      const k = nearestPoint(index, table.x[row]!, table.y[row]!, radius);
      if (k < 0) {
        lost.push(row);
        continue;
      }
      const distance = Math.hypot(px[k]! - table.x[row]!, py[k]! - table.y[row]!);
      const other = best.get(at[k]!);
      if (!other || distance < other.distance) best.set(at[k]!, { row, distance });
    }
    for (const [t, { row }] of best) {
      tracks[t]!.push([i, row]);
      lastHit[t] = turn;
      const d = directionAt(state, frame, [table.x[row]!, table.y[row]!]);
      for (let q = 0; q < 3; q++) sum[t]![q]! += d[q]!;
    }
    for (const row of lost) {
      const d = directionAt(state, frame, [table.x[row]!, table.y[row]!]);
      if (Number.isNaN(d[0])) continue;
      tracks.push([[i, row]]);
      sum.push(d);
      lastHit.push(turn);
      live.push(tracks.length - 1);
    }
    // A detection that found no companion in the next dozen frames was none of the sky.
    live = live.filter((t) => tracks[t]!.length >= 2 || turn - lastHit[t]! < 12);
  }
  const kept: Track[] = [];
  const directions: number[] = [];
  tracks.forEach((track, t) => {
    if (track.length < options.minFrames) return;
    track.sort((a, b) => a[0] - b[0]);
    kept.push(track);
    const length = Math.hypot(...sum[t]!);
    directions.push(...sum[t]!.map((v) => v / length));
  });
  return { tracks: kept, directions: Float64Array.from(directions) };
}
