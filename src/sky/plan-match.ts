import { distanceKm } from '../core/index.js';
import { checkPosition, type Position } from './coordinates.js';
import type { Plan } from './plan.js';

/** How near a plan's site must be to a session's to be the same, km: a walk or a short drive about the place. */
const SAME_SITE_KM = 25;

/** Distance over ground, km, on a sphere: within 0.6 % of the ellipsoid's. */
export const groundDistance = (a: Position, b: Position): number =>
  distanceKm(checkPosition(a), checkPosition(b));

/** What is known of a session when a plan is looked for. */
export interface SessionPlace {
  /** The evening's local date. */
  readonly night: string;
  readonly siteName?: string;
  readonly position?: Position;
}

/**
 * The plans that a session may answer, best first: same night, then by site name, then by distance. A
 * session whose place is unknown matches every plan of its night; take it only when it is the only one.
 */
export function plansFor<T extends Plan>(plans: readonly T[], session: SessionPlace): T[] {
  const name = session.siteName?.trim().toLowerCase();
  const found: { plan: T; rank: number }[] = [];
  for (const plan of plans) {
    if (plan.night !== session.night) continue;
    if (name !== undefined && plan.site.name?.trim().toLowerCase() === name) found.push({ plan, rank: -1 });
    else if (session.position !== undefined) {
      const distance = groundDistance(plan.site, session.position);
      if (distance <= SAME_SITE_KM) found.push({ plan, rank: distance });
    } else if (name === undefined) found.push({ plan, rank: 0 });
  }
  return found.sort((a, b) => a.rank - b.rank).map(({ plan }) => plan);
}
