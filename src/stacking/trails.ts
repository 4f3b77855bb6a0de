import type { PerColor, StackFrame } from './stack-plan.js';
import type { Surface } from './types.js';

/** Which ends of a star trail fade. */
export type Taper = 'start' | 'end' | 'both';

/** Share of the run over which an end fades. */
const TAPER_SHARE = 1 / 3;
/** What is left of a star at the very end of a fading trail. */
const LEAST = 0.04;

/**
 * Brightness of the stars of frame `index` of `count` in a trail that fades: 1 in its full part, falling
 * smoothly towards its ends.
 */
export function taperAt(index: number, count: number, taper: Taper | undefined): number {
  if (taper === undefined || count < 2) return 1;
  const place = index / (count - 1);
  const rise = (share: number): number => {
    const t = Math.min(1, Math.max(0, share / TAPER_SHARE));
    return t * t * (3 - 2 * t);
  };
  const start = taper === 'end' ? 1 : rise(place);
  const end = taper === 'start' ? 1 : rise(1 - place);
  return LEAST + (1 - LEAST) * Math.min(start, end);
}

/**
 * A frame whose stars are dimmed to `share` while its sky stays as the reference's:
 * `share * (scale * value - level) + (1 - share) * sky`.
 *
 * @param sky smooth sky of the reference, per colour
 */
export function dimStars(frame: StackFrame, share: number, sky: PerColor<Surface>): StackFrame {
  if (share === 1) return frame;
  const level = ([0, 1, 2] as const).map((color) =>
    sky[color].map((value, i) => share * (frame.level?.[color][i] ?? 0) - (1 - share) * value),
  ) as unknown as PerColor<Surface>;
  return { ...frame, scale: frame.scale * share, level };
}

/** px that neighbouring copies of a trail's end overlap, about a star's width, so that no dip is left. */
const OVERLAP = 3;

/**
 * How far a frame's stars are to be carried on, px at the fastest place, to close their half of a dash that is
 * `gap` px long: a list of steps that rises, the last of them a little beyond the middle of the dash. The
 * steps are as long as a frame's own trail allows.
 *
 * @param trail length of one frame's trail, px
 * @param most  steps at most
 */
export function bridgeSteps(gap: number, trail: number, most = 40): number[] {
  const reach = Math.max(0, gap) / 2 + OVERLAP / 2;
  const step = Math.max(1, trail - OVERLAP);
  const count = Math.min(most, Math.ceil(reach / step));
  return Array.from({ length: count }, (_, k) => ((k + 1) * reach) / count);
}
