import { median, type Role } from '../core/index.js';
import {
  DARK_LEVEL,
  DARK_LEVEL_ALONE,
  type Judged,
  judgeDim,
  type Kind,
  type RoleContext,
} from './_dim-frames.js';
import { skyDrift } from './_framing.js';
import { hintedRole } from './_hints.js';
import type { Shot, Stream } from './_order.js';
import { sameSettings } from './_settings.js';
import { surfaceOf } from './_surface.js';
import { fillUnseen } from './_unseen-frames.js';
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
const FLAT_LEVELS = [0.04, 0.95] as const;
/** A flat falls off smoothly: what a quadratic surface leaves, as a share of the mean. */
const FLAT_ROUGHNESS = 0.03;
/** A flat is lit evenly: its slope from edge to edge as a share of the mean. */
const FLAT_TILT = 0.35;
const FLAT_UNEVENNESS = 1.2;
/** A flat's shutter is shorter than that of the lights by this factor at least. */
const FLAT_SHUTTER_FACTOR = 3;

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

function judge(stretch: readonly Shot[], context: RoleContext): Judged | undefined {
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
function judgeStarless(stretch: readonly Shot[], { lights, kind, usual }: RoleContext): Judged {
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
function judgeEven(stretch: readonly Shot[], context: RoleContext, hint: Role | undefined): Judged {
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
