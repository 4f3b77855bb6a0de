import { median, type Role } from '../core/index.js';
import { landLikeness } from './_framing.js';
import type { Shot } from './_order.js';
import { lightGathered, sameSettings, shutterText } from './_settings.js';

/** Longest shutter of a bias frame, s. */
const BIAS_SHUTTER = 1 / 250;
/** A lens cap leaves at most this level, fraction of white: dark current of a warm sensor included. */
export const DARK_LEVEL = 0.03;
/** Without lights to compare with, a dark is darker than this. */
export const DARK_LEVEL_ALONE = 0.012;
/** Sky levels of the lights from which on they tell a dark, in doubt and for sure, fraction of white. */
const LEAST_SKY = 0.0015;
const SURE_SKY = 0.004;

/** What a quick look shows, by itself. */
export type Kind = 'starry' | 'dim' | 'even' | 'bright' | 'middling' | 'unseen';

/** What a stretch of shots is judged by. */
export interface RoleContext {
  readonly kind: Kind;
  /** Frames of this body with stars. */
  readonly lights: readonly Shot[];
  /** Median shutter of those, s; NaN without any. */
  readonly usual: number;
  readonly shots: readonly Shot[];
}

/** Role and reason of each shot of a stretch. */
export type Judged = (shot: Shot) => { role: Role; reason: string };

/** Dim and without stars: lens cap on, or a clouded black night? The lights of the same body tell. */
export function judgeDim(stretch: readonly Shot[], context: RoleContext, hint: Role | undefined): Judged {
  const header = stretch[0]!.frame.header;
  const dark = (why: string): Judged => {
    const bias = header.exposureTime !== undefined && header.exposureTime <= BIAS_SHUTTER;
    const role: Role = hint === 'bias' || hint === 'dark' ? hint : bias ? 'bias' : 'dark';
    const shutter = header.exposureTime === undefined ? '' : ` at ${shutterText(header.exposureTime)}`;
    return () => ({ role, reason: `No light and no stars${shutter}; ${why}.` });
  };
  const light =
    (why: string): Judged =>
    () => ({ role: 'light', reason: `No stars seen, but ${why}.` });

  if (hint === 'dark' || hint === 'bias') return dark(`the name of its folder or file says ${hint}`);
  if (hint === 'light') return light('the name of its folder or file says light');
  if (header.exposureTime !== undefined && header.exposureTime <= BIAS_SHUTTER)
    return dark('the shutter of a bias');

  const level = median(stretch.map((shot) => shot.frame.glimpse!.median));
  const expected = expectedLevel(stretch[0]!, context.lights);
  const likeness = likenessToLights(stretch, context.lights);
  if (expected !== undefined && expected > LEAST_SKY) {
    if (level < 0.15 * expected) return dark('far below the sky of the lights');
    // Near black the level itself is uncertain: a warm sensor glows as much as a very dark sky.
    const share = expected > SURE_SKY ? 0.3 : 0.5;
    if (level > share * expected && !(expected < SURE_SKY && likeness < 0.3))
      return light('the sky is as bright as cloud or a trailed sky leaves it');
  }
  if (likeness > 0.5) return light('the same land and sky glow as in the lights');
  if (isSandwiched(stretch, context)) return light('it stands in the middle of a run of lights');
  if (level <= DARK_LEVEL_ALONE) return dark('level near black');
  return light('the level is above that of a capped lens');
}

/** Sky level to expect with a shot's settings from the lights of the same body, fraction of white. */
function expectedLevel(shot: Shot, lights: readonly Shot[]): number | undefined {
  const same = lights.filter((light) => sameSettings(light.frame.header, shot.frame.header));
  if (same.length > 0) return median(same.map((light) => light.frame.glimpse!.median));
  const own = lightGathered(shot.frame.header);
  if (own === undefined) return undefined;
  const levels = lights.flatMap((light) => {
    const gathered = lightGathered(light.frame.header);
    return gathered === undefined ? [] : [(light.frame.glimpse!.median * own) / gathered];
  });
  return levels.length > 0 ? Math.min(0.5, median(levels)) : undefined;
}

/** Best likeness of a stretch to the lights nearest to it; NaN when neither has structure. */
function likenessToLights(stretch: readonly Shot[], lights: readonly Shot[]): number {
  const middle = stretch[stretch.length >> 1]!;
  const at = middle.startMs ?? 0;
  const nearest = [...lights]
    .sort((a, b) => Math.abs((a.startMs ?? 0) - at) - Math.abs((b.startMs ?? 0) - at))
    .slice(0, 5);
  let best = Number.NaN;
  for (const light of nearest) {
    const likeness = landLikeness(middle.frame.glimpse!, light.frame.glimpse!);
    if (!(best >= likeness)) best = Number.isNaN(likeness) ? best : likeness;
  }
  return best;
}

/** A short stretch with lights of the same settings before and after it, at the pace of the run. */
function isSandwiched(stretch: readonly Shot[], { shots, lights }: RoleContext): boolean {
  const from = shots.indexOf(stretch[0]!);
  const before = shots[from - 1];
  const after = shots[from + stretch.length];
  if (!before || !after || stretch.length > 10) return false;
  const among = (shot: Shot) =>
    lights.includes(shot) && sameSettings(shot.frame.header, stretch[0]!.frame.header);
  if (!among(before) || !among(after)) return false;
  if (before.startMs === undefined || after.startMs === undefined) return stretch.length <= 2;
  const pace = (after.startMs - before.startMs) / 1000 / (stretch.length + 1);
  const exposure = stretch[0]!.frame.header.exposureTime ?? pace;
  return pace <= 2.6 * exposure + 10;
}
