import { median, type Role } from '../core/index.js';
import { landLikeness, skyDrift } from './_framing.js';
import { hintedRole } from './_hints.js';
import type { Shot, Stream } from './_order.js';
import { agrees, lightGathered, sameSettings, sameShutter, shutterText } from './_settings.js';
import { surfaceOf } from './_surface.js';
import type { FrameForGrouping, FrameGlimpse } from './types.js';

/** A role with its reason; `test` is found later, when the sequences are known. */
export interface RoleFound {
  readonly role: Role;
  readonly reason: string;
  /** The photographer or the file itself said so: nothing measured may change it. */
  readonly fixed: boolean;
}

/** Star-like peaks from which on a frame has seen the sky. */
const STARS_SEEN = 6;
/** Longest shutter of a bias frame, s. */
const BIAS_SHUTTER = 1 / 250;
/** A lens cap leaves at most this level, fraction of white: dark current of a warm sensor included. */
const DARK_LEVEL = 0.03;
/** Without lights to compare with, a dark is darker than this. */
const DARK_LEVEL_ALONE = 0.012;
/** Sky levels of the lights from which on they tell a dark, in doubt and for sure, fraction of white. */
const LEAST_SKY = 0.0015;
const SURE_SKY = 0.004;
const FLAT_LEVELS = [0.04, 0.95] as const;
/** A flat falls off smoothly: what a quadratic surface leaves, as a share of the mean. */
const FLAT_ROUGHNESS = 0.03;
/** A flat is lit evenly: its slope from edge to edge as a share of the mean. */
const FLAT_TILT = 0.35;
const FLAT_UNEVENNESS = 1.2;
/** A flat's shutter is shorter than that of the lights by this factor at least. */
const FLAT_SHUTTER_FACTOR = 3;

type Kind = 'starry' | 'dim' | 'even' | 'bright' | 'middling' | 'unseen';

/** Finds a role for every shot of every stream from what was chosen, stated, seen and written, in that order. */
export function findRoles(streams: readonly Stream[]): Map<Shot, RoleFound> {
  const roles = new Map<Shot, RoleFound>();
  for (const { shots } of streams) {
    const kinds = new Map(shots.map((shot) => [shot, kindOf(shot.frame.glimpse)] as const));
    for (const shot of shots) {
      const fixed = fixedRole(shot.frame);
      if (fixed) roles.set(shot, fixed);
    }
    const lights = shots.filter((shot) => {
      const fixed = roles.get(shot);
      return fixed ? fixed.role === 'light' && shot.frame.glimpse : kinds.get(shot) === 'starry';
    });
    const usual = median(lights.map((shot) => shot.frame.header.exposureTime ?? Number.NaN));
    for (const stretch of stretches(shots, { kinds, roles })) {
      const kind = kinds.get(stretch[0]!)!;
      const found = judge(stretch, { kind, lights, usual, shots });
      for (const shot of stretch) if (found) roles.set(shot, { fixed: false, ...found(shot) });
    }
    fillUnseen(shots, roles);
  }
  return roles;
}

/** What a person or the file says outright. */
function fixedRole(frame: FrameForGrouping): RoleFound | undefined {
  if (frame.chosenRole) return { role: frame.chosenRole, reason: 'Chosen by you.', fixed: true };
  if (frame.header.statedRole)
    return { role: frame.header.statedRole, reason: 'The file itself says so.', fixed: true };
  return undefined;
}

/** What a quick look shows, by itself. */
function kindOf(glimpse: FrameGlimpse | undefined): Kind {
  if (!glimpse) return 'unseen';
  if (isEven(glimpse)) return 'even';
  if (glimpse.starCount >= STARS_SEEN) return 'starry';
  if (glimpse.median <= DARK_LEVEL) return 'dim';
  return glimpse.median >= 0.1 ? 'bright' : 'middling';
}

function isEven(glimpse: FrameGlimpse): boolean {
  if (glimpse.median < FLAT_LEVELS[0] || glimpse.median > FLAT_LEVELS[1]) return false;
  if (glimpse.unevenness > FLAT_UNEVENNESS) return false;
  const { roughness, tilt } = surfaceOf(glimpse.thumbnail);
  return roughness < FLAT_ROUGHNESS && tilt < FLAT_TILT;
}

/** Consecutive shots of one kind and one setting whose role is still open. */
function stretches(
  shots: readonly Shot[],
  known: { readonly kinds: ReadonlyMap<Shot, Kind>; readonly roles: ReadonlyMap<Shot, RoleFound> },
): Shot[][] {
  const list: Shot[][] = [];
  let previous: Shot | undefined;
  for (const shot of shots) {
    const kind = known.kinds.get(shot)!;
    if (known.roles.has(shot) || (kind === 'unseen' && hintedRole(shot.frame.path) === undefined)) {
      previous = undefined;
      continue;
    }
    const joins =
      previous &&
      kind === known.kinds.get(previous) &&
      sameSettings(previous.frame.header, shot.frame.header) &&
      hintedRole(previous.frame.path) === hintedRole(shot.frame.path);
    if (joins) list.at(-1)!.push(shot);
    else list.push([shot]);
    previous = shot;
  }
  return list;
}

interface Context {
  readonly kind: Kind;
  /** Frames of this body with stars. */
  readonly lights: readonly Shot[];
  /** Median shutter of those, s; NaN without any. */
  readonly usual: number;
  readonly shots: readonly Shot[];
}

type Judged = (shot: Shot) => { role: Role; reason: string };

function judge(stretch: readonly Shot[], context: Context): Judged | undefined {
  const first = stretch[0]!;
  const hint = hintedRole(first.frame.path);
  const say =
    (role: Role, reason: string): Judged =>
    () => ({ role, reason });
  if (context.kind === 'unseen') return hint && say(hint, `The name of its folder or file says ${hint}.`);
  if (hint === 'test') return say('test', 'The name of its folder or file says test.');
  if (context.kind === 'starry') {
    if (staysPut(stretch))
      return say(
        'dark',
        'Nearly black, and its bright points stay on the same pixels: sensor defects, no stars.',
      );
    return (shot) => ({
      role: 'light',
      reason: `${shot.frame.glimpse!.starCount} star-like peaks.`,
    });
  }
  if (context.kind === 'dim') return judgeDim(stretch, context, hint);
  if (context.kind === 'even') return judgeEven(stretch, context, hint);
  if (hint === 'flat' && context.kind === 'bright')
    return say('flat', 'Bright, without stars, and the name of its folder or file says flat.');
  return judgeStarless(stretch, context);
}

/** Bright without stars and not even: twilight, fog or moonlit cloud in a run is a light, a snapshot is not. */
function judgeStarless(stretch: readonly Shot[], { lights, kind, usual }: Context): Judged {
  const header = stretch[0]!.frame.header;
  const exposure = header.exposureTime;
  const likeLights = lights.some((light) => sameSettings(light.frame.header, header));
  if (likeLights)
    return () => ({
      role: 'light',
      reason: 'No stars seen, but the settings of the lights: cloud, fog or twilight.',
    });
  if (stretch.length >= 3)
    return () => ({ role: 'light', reason: 'One of three or more alike, though no stars are seen.' });
  if (exposure !== undefined && exposure >= Math.min(1, Number.isNaN(usual) ? 1 : usual / 4))
    return () => ({ role: 'light', reason: 'A long exposure without stars: cloud, fog or twilight.' });
  if (exposure === undefined && kind !== 'bright')
    return () => ({ role: 'light', reason: 'Lit, though no stars are seen.' });
  return () => ({ role: 'other', reason: 'Bright, short and without stars: not a night frame.' });
}

/** Even light: a flat, unless it has the settings of the lights or a long shutter (an empty twilight or fogged sky). */
function judgeEven(stretch: readonly Shot[], context: Context, hint: Role | undefined): Judged {
  const { header, glimpse } = stretch[0]!.frame;
  if (hint === 'flat')
    return () => ({ role: 'flat', reason: 'Bright and even, and the name of its folder or file says flat.' });
  const starry = stretch.filter((shot) => shot.frame.glimpse!.starCount >= 40).length > stretch.length / 2;
  const longest = Number.isNaN(context.usual) ? 2 : context.usual / FLAT_SHUTTER_FACTOR;
  const likeLights = context.lights.some((light) => sameSettings(light.frame.header, header));
  const short = header.exposureTime === undefined ? !likeLights : header.exposureTime <= longest;
  if (!starry && short && !likeLights && hint !== 'light')
    return () => ({
      role: 'flat',
      reason: `Bright (${Math.round(100 * glimpse!.median)} % of white), even and without stars.`,
    });
  if (starry)
    return (shot) => ({ role: 'light', reason: `${shot.frame.glimpse!.starCount} star-like peaks.` });
  return judgeStarless(stretch, { ...context, kind: 'bright' });
}

/** Dim and without stars: lens cap on, or a clouded black night? The lights of the same body tell. */
function judgeDim(stretch: readonly Shot[], context: Context, hint: Role | undefined): Judged {
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
function isSandwiched(stretch: readonly Shot[], { shots, lights }: Context): boolean {
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

/**
 * Whether the points of a nearly black stretch sit on the same pixels from first to last although the sky
 * moved on by 6 px or more: defects spread by an in-camera picture are wider than one pixel (P12).
 */
function staysPut(stretch: readonly Shot[]): boolean {
  const first = stretch[0]!;
  const last = stretch.at(-1)!;
  const a = first.frame.glimpse!;
  const b = last.frame.glimpse!;
  if (stretch.length < 2 || first.startMs === undefined || last.startMs === undefined) return false;
  if (stretch.some((shot) => shot.frame.glimpse!.median > DARK_LEVEL_ALONE)) return false;
  const { header } = first.frame;
  if (skyDrift(header, (last.startMs - first.startMs) / 1000) < 6) return false;
  let same = 0;
  for (let i = 0; i < a.peaks.length; i += 2) {
    for (let j = 0; j < b.peaks.length; j += 2) {
      if (Math.hypot(a.peaks[i]! - b.peaks[j]!, a.peaks[i + 1]! - b.peaks[j + 1]!) < 1) {
        same++;
        break;
      }
    }
  }
  return same >= 0.6 * Math.min(a.peaks.length / 2, b.peaks.length / 2);
}

/** Frames that could not be looked at take the role of their neighbours of the same settings, else what the header allows. */
function fillUnseen(shots: readonly Shot[], roles: Map<Shot, RoleFound>): void {
  const seen = shots.filter((shot) => roles.has(shot));
  const open = shots.filter((shot) => !roles.has(shot));
  const places = new Map(shots.map((shot, i) => [shot, i] as const));
  for (const shot of open) {
    const { header, glimpse } = shot.frame;
    if (glimpse) throw new TypeError('a frame with a glimpse was left without a role');
    const at = places.get(shot)!;
    const neighbour = nearestAlike(seen, { shot, at, places });
    const exposure = header.exposureTime;
    if (neighbour)
      roles.set(shot, {
        role: roles.get(neighbour)!.role,
        reason: 'The pixels could not be read; the frames beside it of the same settings have this role.',
        fixed: false,
      });
    else if (exposure !== undefined && exposure >= 0.5)
      roles.set(shot, {
        role: 'light',
        reason: 'The pixels could not be read; by its shutter a night exposure.',
        fixed: false,
      });
    else
      roles.set(shot, {
        role: 'other',
        reason: 'The pixels could not be read and the header does not tell what it is for.',
        fixed: false,
      });
  }
}

/** The nearest shot in order with a role and the same settings, at most 5 places and 10 minutes away. */
function nearestAlike(
  seen: readonly Shot[],
  {
    shot,
    at,
    places,
  }: { readonly shot: Shot; readonly at: number; readonly places: ReadonlyMap<Shot, number> },
): Shot | undefined {
  let best: Shot | undefined;
  let bestDistance = 6;
  for (const other of seen) {
    const distance = Math.abs(places.get(other)! - at);
    if (distance >= bestDistance || !sameSettings(other.frame.header, shot.frame.header)) continue;
    if (!agrees(other.frame.header.exposureTime, shot.frame.header.exposureTime, 0.1)) continue;
    if (!sameShutter(other.frame.header, shot.frame.header)) continue;
    const apart = Math.abs((other.startMs ?? 0) - (shot.startMs ?? 0));
    if (other.startMs !== undefined && shot.startMs !== undefined && apart > 600_000) continue;
    best = other;
    bestDistance = distance;
  }
  return best;
}
