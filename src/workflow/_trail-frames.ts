import { type Alignment, type MapPoint, type SkyStep, skyStep, warpGrid } from '../alignment/index.js';
import { median } from '../core/index.js';
import type { FrameRecord } from '../library/index.js';
import {
  bridgeSteps,
  dimStars,
  fitLevel,
  type StackFrame,
  sampleVariance,
  type Taper,
  taperAt,
} from '../stacking/index.js';
import type { PreparedRun } from './_prepare-run.js';
import type { Member } from './_stack-members.js';

/** The sky's turn, rad a second of time. @source IAU 2000: one turn in 86164.0905 s */
const SIDEREAL_RATE = (2 * Math.PI) / 86164.0905;

/** A dash longer than this many frames' ways is left open: too much would be made up. */
const LONGEST_BRIDGE = 20;

/** Reasons for a drop that cost a trail nothing but light; any other reason keeps the frame out. */
const HARMLESS = new Set(['cloud', 'twilight', 'moon', 'glare']);

/** Whether a frame is in the trails: kept, or dropped by measurement for nothing worse than cloud (P22). */
export function isTrailFrame(record: FrameRecord): boolean {
  const { measurement } = record;
  const verdict = measurement?.verdict;
  if (verdict === 'keep' || verdict === 'doubt') return true;
  const reasons = measurement?.reasons ?? [];
  if (verdict !== 'drop' || measurement?.verdictBy === 'person' || reasons.length === 0) return false;
  return reasons.every(({ code }) => HARMLESS.has(code));
}

/** The dash between two neighbouring frames of a trail. */
export interface Dash {
  readonly before: Member;
  readonly after: Member;
  /** s between the end of one exposure and the start of the next. */
  readonly seconds: number;
  /** Its length in the picture, px: in the middle and where the sky moves fastest. */
  readonly center: number;
  readonly edge: number;
  /** Trail of the first frame itself where the sky moves fastest, px. */
  readonly trail: number;
  readonly step: SkyStep | undefined;
  /** Way of the sky from the first frame's middle to the second's where it moves fastest, px. */
  readonly way: number;
}

/** s from the middle of one exposure to the middle of the next: by the sky's turn, else by the clock. */
function interval(a: Member, b: Member, step: SkyStep | undefined): number {
  if (step?.angle !== undefined && step.angle > 0) return step.angle / SIDEREAL_RATE;
  const [from, to] = [a.record.takenMs, b.record.takenMs];
  return from === undefined || to === undefined
    ? Number.NaN
    : (to - from) / 1000 + (b.exposure - a.exposure) / 2;
}

/** Length of a step at the middle of the frame and at the fastest of a grid of places, px. */
function ways(alignment: Alignment, step: SkyStep): readonly [number, number] {
  const map = step.ahead(1);
  const { width, height } = alignment;
  const length = (x: number, y: number): number => {
    const [u, v] = map(x, y);
    return Math.hypot(u - x, v - y);
  };
  const all = Array.from({ length: 25 }, (_, k) =>
    length(((k % 5) * (width - 1)) / 4, (Math.floor(k / 5) * (height - 1)) / 4),
  ).filter((value) => Number.isFinite(value));
  return [length((width - 1) / 2, (height - 1) / 2), Math.max(...all)];
}

/** The dashes between neighbours in time that share a framing (P23). */
export function dashesOf(alignment: Alignment, ordered: readonly Member[]): Dash[] {
  return ordered.slice(1).flatMap((after, i) => {
    const before = ordered[i]!;
    if (after.segment !== before.segment) return [];
    const step = skyStep(alignment, before.index, after.index);
    const between = interval(before, after, step);
    const seconds = Math.max(0, between - (before.exposure + after.exposure) / 2);
    if (!step || !(between > 0)) return [];
    const [center, edge] = ways(alignment, step);
    const share = seconds / between;
    return [
      {
        before,
        after,
        seconds,
        center: center * share,
        edge: edge * share,
        trail: (edge * before.exposure) / between,
        step,
        way: edge,
      },
    ];
  });
}

export interface TrailPlan {
  readonly frames: readonly StackFrame[];
  /** Scratch file of each frame and of each copy, by id. */
  readonly scratch: Readonly<Record<string, string>>;
  /** Copies that close dashes. */
  readonly copies: number;
  /** Dashes too long to be closed. */
  readonly open: readonly Dash[];
}

/** Frames in the order of time. */
export const inTime = (members: readonly Member[]): Member[] =>
  [...members].sort((a, b) => a.index - b.index);

/**
 * The frames of a star trail on the land's grid: each where the camera saw it, its sky levelled to the
 * reference's, its stars dimmed where trails are to fade; and, to close the dashes, copies of the frames on
 * both sides carried on along the sky's known way.
 */
export function trailFrames(
  run: PreparedRun,
  dashes: readonly Dash[],
  options: { readonly bridge: boolean; readonly taper?: Taper | undefined },
): TrailPlan {
  const { alignment, reference, skies, shared } = run;
  const ordered = inTime(run.members);
  const referenceSky = skies.get(reference.record.id)!;
  const scratch: Record<string, string> = {};
  const frames: StackFrame[] = [];
  const own = new Map<Member, { frame: StackFrame; land: MapPoint }>();

  ordered.forEach((member, i) => {
    const weighted = run.frames.find((item) => item.member === member)!;
    const sky = skies.get(member.record.id)!;
    const scale = weighted.frame.landScale ?? 1;
    const { landGrid } = weighted.frame;
    const land = weighted.land;
    const grid = landGrid ?? warpGrid(alignment, member.index, { map: land });
    const level = fitLevel(referenceSky, sky, grid, scale);
    const { landGrid: _land, zoneWeights: _zones, ...rest } = weighted.frame;
    const plain: StackFrame = {
      ...rest,
      grid,
      scale,
      level,
      variance: sampleVariance(sky, {
        scale,
        level,
        ...(shared.sourcePlanes === 3 ? { source: 'color' as const } : {}),
      }),
    };
    const share = taperAt(i, ordered.length, options.taper);
    const frame = dimStars(plain, share, shared.skySurface!);
    own.set(member, { frame, land });
    frames.push(frame);
    scratch[frame.id] = run.scratch[member.record.id]!;
  });

  const open: Dash[] = [];
  let copies = 0;
  const typicalWay = median(dashes.map(({ way }) => way));
  for (const dash of options.bridge ? dashes : []) {
    if (dash.way > LONGEST_BRIDGE * typicalWay) {
      open.push(dash);
      continue;
    }
    for (const side of ['before', 'after'] as const) {
      const { frame, land } = own.get(dash[side])!;
      const steps = bridgeSteps(dash.edge, dash.trail);
      steps.forEach((px, k) => {
        const share = px / dash.way;
        // From the later frame the same way is gone backwards in time.
        const map = side === 'before' ? dash.step!.back(share) : dash.step!.ahead(share);
        const id = `${frame.id}+${side}-${k}`;
        const grid = warpGrid(alignment, dash[side].index, {
          map: (x, y) => {
            const [u, v] = land(x, y);
            return map(u, v);
          },
        });
        frames.push({ ...frame, id, grid });
        scratch[id] = run.scratch[dash[side].record.id]!;
        copies++;
      });
    }
  }
  return { frames, scratch, copies, open };
}
