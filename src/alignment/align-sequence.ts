import type { StarTable } from '../core/index.js';
import { buildAlignment } from './_build.js';
import { chainFrames, findStanding } from './_chain.js';
import { farOff } from './_far-off.js';
import { fitSky } from './_fit-sky.js';
import { noAlignment, planeAlignment } from './_plane.js';
import { standsStill } from './_still.js';
import { joinLinks } from './_tracks.js';
import type { AlignFrame, Alignment, AlignOptions } from './types.js';

/**
 * Finds the one motion that all stars of a run follow: which star is which from their places alone, then
 * lens, pole and every frame's camera together (DESIGN section 6, sky-motion model). Never throws for what
 * the sky or the camera did: a frame that does not fit is `left-out` with its reason, and a run in which
 * nothing fits has method `none`.
 *
 * Deterministic: equal input gives equal output, bit for bit.
 */
export function alignSequence(frames: readonly AlignFrame[], options: AlignOptions): Alignment {
  const order = inTime(frames);
  const sorted = order.map((i) => frames[i]!);
  const tables = sorted.map((frame) => frame.stars);
  const asked = options.referenceIndex ?? Math.floor((frames.length - 1) / 2);
  const wanted = order.indexOf(asked);
  const context = { frames, order, options };
  if (frames.length === 0) return noAlignment(context, 'There are no frames to align.');
  if (frames.length === 1) return noAlignment(context, 'One frame alone needs no alignment.');
  const times = sorted.map((frame) => frame.time);
  const chained = bestChain(tables, times, options);
  if (chained.joined.length < 2) {
    return noAlignment(context, 'No two frames show the same stars.');
  }
  const joined = chained.joined;
  const reference = [...joined].sort((a, b) => Math.abs(a - wanted) - Math.abs(b - wanted) || a - b)[0]!;
  const minFrames = joined.length >= 3 ? 3 : 2;
  const tracks = joinLinks(tables, chained.links, minFrames);
  const fit = fitSky({ tables, times, tracks, joined, reference, minFrames, options, skip: chained.skip });
  const plane = { tables, tracks, joined, reference, skip: chained.skip };
  if (!fit) return planeAlignment(context, plane);
  const wrong = farOff(tables, tracks, { fit, width: options.width, height: options.height });
  if (wrong) return planeAlignment(context, { ...plane, why: wrong });
  const alignment = buildAlignment(context, { tables, fit, options });
  const turns = Array.from(fit.frames.turn).filter((_, i) => fit.fitted[i] === 1);
  const span = fit.hasClock ? Math.max(...turns) - Math.min(...turns) : undefined;
  if (standsStill(alignment, { tables: frames.map((frame) => frame.stars), span })) {
    return noAlignment(
      context,
      'What these frames have in common stands still, as defects and lamps do and stars do not; frames closer in time may align.',
    );
  }
  return alignment;
}

/** Frames by time where every frame has one, else as given. */
function inTime(frames: readonly AlignFrame[]): number[] {
  const order = frames.map((_, i) => i);
  if (frames.every((frame) => frame.time !== undefined && Number.isFinite(frame.time))) {
    order.sort((a, b) => frames[a]!.time! - frames[b]!.time! || a - b);
  }
  return order;
}

/** The chain without what stands still, when that hangs together as well as the chain with everything. */
function bestChain(
  tables: readonly StarTable[],
  times: readonly (number | undefined)[],
  options: AlignOptions,
): {
  links: ReturnType<typeof chainFrames>['links'];
  joined: readonly number[];
  skip: Uint8Array[] | undefined;
} {
  const { width, height } = options;
  const standing = findStanding(tables, { width, height });
  const any = standing.some((marks) => marks.includes(1));
  if (any) {
    const moving = chainFrames(tables, { width, height, times, skip: standing });
    if (moving.joined.length >= Math.max(2, 0.7 * tables.length)) return { ...moving, skip: standing };
    const all = chainFrames(tables, { width, height, times });
    if (moving.joined.length >= 2 && moving.joined.length >= all.joined.length)
      return { ...moving, skip: standing };
    return { ...all, skip: undefined };
  }
  return { ...chainFrames(tables, { width, height, times }), skip: undefined };
}
