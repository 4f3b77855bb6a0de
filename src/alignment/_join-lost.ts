import type { StarTable } from '../core/index.js';
import { lensOf } from './_lens-derivatives.js';
import { placeOn } from './_link.js';
import { indexPoints, nearestPoint } from './_points.js';
import { apply, multiply } from './_rotation.js';
import { type FramesInfo, type State, turnRotation } from './_state.js';
import type { Track } from './_tracks.js';
import { chooseStars } from './choose-stars.js';
import { fitRotationRobust } from './fit-rotation.js';
import { unprojectPixel } from './geometry.js';
import { oddsAgainstChance } from './match.js';
import { refract } from './refraction.js';

export interface LostInput {
  readonly tables: readonly StarTable[];
  readonly state: State;
  readonly frames: FramesInfo;
  readonly fitted: Uint8Array;
  readonly tracks: readonly Track[];
  readonly width: number;
  readonly height: number;
  readonly skip?: readonly Uint8Array[] | undefined;
}

/** How far from the predicted place a lost frame is looked for, as a part of the frame's width. */
const SEARCH = 0.15;
/** Log odds against chance from which on a frame counts as found. */
const BELIEF = 12;

/**
 * Tries each frame that no neighbour could be matched with at the place the model predicts for it: a shift
 * that many of its detections agree on, then a rotation. Frames found are marked and get their camera.
 */
export function joinLost(input: LostInput): number {
  const { state, frames, fitted } = input;
  let found = 0;
  for (let i = 0; i < frames.count; i++) {
    if (fitted[i] === 1) continue;
    const camera = findCamera(input, i);
    if (!camera) continue;
    state.camera.set(camera, 9 * i);
    fitted[i] = 1;
    found++;
  }
  return found;
}

function findCamera(input: LostInput, index: number): number[] | undefined {
  const { tables, state, frames, tracks, width, height } = input;
  const table = tables[index]!;
  const rows = chooseStars(table, { width, height, perZone: 8, skip: input.skip?.[index] });
  if (rows.length < 4 || !Number.isFinite(frames.turnSigma[index]!)) return undefined;
  const turn = turnRotation(state, frames.turn[index]!);
  const start = nearestCamera(input, index);
  const trial: State = { ...state, camera: state.camera.slice() };
  trial.camera.set(start, 9 * index);
  // The brightest tracks that the frame should show; brightest by their best frame's table order.
  const expected: { t: number; x: number; y: number; flux: number }[] = [];
  tracks.forEach((track, t) => {
    const [x, y] = placeOn(trial, { index, turn }, state.stars.subarray(3 * t, 3 * t + 3));
    const margin = SEARCH * width;
    if (!(x > -margin && y > -margin && x < width + margin && y < height + margin)) return;
    const flux = Math.max(...track.map(([i, row]) => tables[i]!.flux[row]! || 0));
    expected.push({ t, x, y, flux });
  });
  expected.sort((a, b) => b.flux - a.flux || a.t - b.t);
  const bright = expected.slice(0, 150);
  const seenX = Float64Array.from(rows, (row) => table.x[row]!);
  const seenY = Float64Array.from(rows, (row) => table.y[row]!);
  const shift = commonShift(bright, { seenX, seenY, reach: SEARCH * width, bin: 0.003 * width });
  if (!shift) return undefined;
  const seen = indexPoints(seenX, seenY, { width, height, bin: Math.max(16, width / 30) });
  const lens = lensOf(state.projection, state.lens);
  let camera: readonly number[] = start;
  let dx = shift[0];
  let dy = shift[1];
  let hits = 0;
  let asked = 0;
  let tolerance = 0.006 * width;
  for (let round = 0; round < 4; round++) {
    const from: number[] = [];
    const to: number[] = [];
    asked = 0;
    trial.camera.set(camera, 9 * index);
    for (const { t } of bright) {
      const direction = state.stars.subarray(3 * t, 3 * t + 3);
      const [x, y] = placeOn(trial, { index, turn }, direction);
      if (!(x + dx > 0 && y + dy > 0 && x + dx < width && y + dy < height)) continue;
      asked++;
      const k = nearestPoint(seen, x + dx, y + dy, tolerance);
      if (k < 0) continue;
      const seenDirection = unprojectPixel(lens, seenX[k]!, seenY[k]!);
      if (Number.isNaN(seenDirection[0])) continue;
      from.push(...refract(state.refraction, apply(turn, direction)));
      to.push(...seenDirection);
    }
    hits = from.length / 3;
    if (hits < 4) return undefined;
    const rotation = fitRotationRobust(Float64Array.from(from), Float64Array.from(to), {
      softness: tolerance / 3 / lens.focalLengthPx,
      start: camera,
    });
    if (!rotation) return undefined;
    camera = rotation;
    dx = 0;
    dy = 0;
    tolerance = round === 0 ? 0.002 * width : 2.5;
  }
  // Both lists limit how many can agree: chance is counted on the shorter.
  const chance = Math.min(0.5, (Math.PI * 2.5 * 2.5 * rows.length) / (width * height));
  return oddsAgainstChance(hits - 2, Math.min(asked, rows.length), chance) > BELIEF ? [...camera] : undefined;
}

function nearestCamera(input: LostInput, index: number): number[] {
  const { state, frames, fitted } = input;
  let best = frames.reference;
  for (let i = 0; i < frames.count; i++) {
    if (fitted[i] === 1 && Math.abs(i - index) < Math.abs(best - index)) best = i;
  }
  return multiply(state.camera.subarray(9 * best, 9 * best + 9), [1, 0, 0, 0, 1, 0, 0, 0, 1]);
}

/** The shift that most pairs of expected and seen places agree on. */
function commonShift(
  expected: readonly { readonly x: number; readonly y: number }[],
  seen: {
    readonly seenX: Float64Array;
    readonly seenY: Float64Array;
    readonly reach: number;
    readonly bin: number;
  },
): [number, number] | undefined {
  const { seenX, seenY, reach, bin } = seen;
  const side = 2 * Math.ceil(reach / bin) + 1;
  const votes = new Int32Array(side * side);
  const half = side >> 1;
  for (const { x, y } of expected) {
    for (let k = 0; k < seenX.length; k++) {
      const i = Math.round((seenX[k]! - x) / bin) + half;
      const j = Math.round((seenY[k]! - y) / bin) + half;
      if (i >= 0 && j >= 0 && i < side && j < side) votes[j * side + i]!++;
    }
  }
  // Sums over 2 x 2 bins, so that a shift on a border is not torn apart; the least shift wins a tie.
  let best = 0;
  let at: [number, number] | undefined;
  for (let j = 0; j + 1 < side; j++) {
    for (let i = 0; i + 1 < side; i++) {
      const v =
        votes[j * side + i]! +
        votes[j * side + i + 1]! +
        votes[(j + 1) * side + i]! +
        votes[(j + 1) * side + i + 1]!;
      const sx = (i + 0.5 - half) * bin;
      const sy = (j + 0.5 - half) * bin;
      if (v > best || (v === best && at && Math.hypot(sx, sy) < Math.hypot(...at))) {
        best = v;
        at = [sx, sy];
      }
    }
  }
  return best >= 4 ? at : undefined;
}
