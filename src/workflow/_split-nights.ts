import { distanceKm } from '../core/index.js';
import { nightOf } from '../sky/index.js';
import type { IntakeTools } from './_intake-tools.js';
import { bodyOf, type Member } from './_members.js';

/** km from which two positions of one night are two sites. */
export const FAR_KM = 5;

/** Which night each new frame belongs to. Frames without header or clock follow their neighbour on the card. */
export function splitNights(
  members: readonly Member[],
  by: { readonly tools: IntakeTools; readonly zone: string; readonly clockOffset: number },
): Map<string, Member[]> {
  const night = new Map<string, string>();
  for (const member of members) {
    const start = by.tools.instant(member.header, { zone: by.zone, clockOffset: by.clockOffset });
    if (start !== undefined) night.set(member.id, nightOf(new Date(start), by.zone));
  }
  const ordered = [...members].sort((a, b) => (a.cardPath < b.cardPath ? -1 : 1));
  const known = ordered.filter(({ id }) => night.has(id));
  for (const [i, member] of ordered.entries()) {
    if (night.has(member.id)) continue;
    const neighbor =
      ordered
        .slice(0, i)
        .reverse()
        .find(({ id }) => night.has(id)) ?? known[0];
    night.set(
      member.id,
      neighbor
        ? night.get(neighbor.id)!
        : nightOf(new Date(member.modifiedMs + 1000 * by.clockOffset), by.zone),
    );
  }
  const nights = new Map<string, Member[]>();
  for (const member of ordered) {
    const key = night.get(member.id)!;
    nights.set(key, [...(nights.get(key) ?? []), member]);
  }
  return nights;
}

/**
 * The frames of one night apart by site, where their positions say that there were several: a night that began
 * in the valley and ended on the pass is two sessions. A frame without a position goes with the neighbour of
 * its own body, by place on the card; where its body never knows a position, with the nearest of any.
 */
export function splitPlaces(members: readonly Member[]): Member[][] {
  const ordered = [...members].sort((a, b) => orderKey(a).localeCompare(orderKey(b), 'en'));
  const anchors: { readonly latitude: number; readonly longitude: number }[] = [];
  const placeOf = ordered.map(({ header: { gps } }) => {
    if (gps === undefined) return undefined;
    const known = anchors.findIndex((anchor) => distanceKm(anchor, gps) < FAR_KM);
    return known >= 0 ? known : anchors.push(gps) - 1;
  });
  if (anchors.length <= 1) return [ordered];
  const groups: Member[][] = anchors.map(() => []);
  for (const [i, member] of ordered.entries()) {
    const body = bodyOf(member.header);
    const near = (same: boolean): number | undefined => {
      for (let step = 0; step < ordered.length; step++)
        for (const at of [i - step, i + step]) {
          const place = placeOf[at];
          if (place !== undefined && (!same || bodyOf(ordered[at]!.header) === body)) return place;
        }
      return undefined;
    };
    groups[near(true) ?? near(false) ?? 0]!.push(member);
  }
  return groups.filter((group) => group.length > 0);
}

/** Wall time first, so that neighbours in time are neighbours here; then the place on the card. */
const orderKey = ({ header, cardPath }: Member): string => `${header.wallTime ?? ''} ${cardPath}`;
