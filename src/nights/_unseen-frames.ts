import type { Shot } from './_order.js';
import type { RoleFound } from './_roles.js';
import { agrees, sameSettings, sameShutter } from './_settings.js';

/** Frames that could not be looked at take the role of their neighbours of the same settings, else what the header allows. */
export function fillUnseen(shots: readonly Shot[], roles: Map<Shot, RoleFound>): void {
  // What a person said of one frame is said of that frame alone.
  const seen = shots.filter((shot) => roles.has(shot) && !shot.frame.chosenRole);
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
