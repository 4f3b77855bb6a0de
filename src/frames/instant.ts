import type { FrameHeader } from '../core/index.js';
import { instantOfWallTime } from '../sky/index.js';

/** How to read a camera's clock. */
export interface ClockReading {
  /** Zone that the camera's clock was set to; used when the header carries no offset. */
  readonly zone?: string | undefined;
  /** Seconds to add to the camera's clock to get the true time (P53, P54). */
  readonly clockOffset?: number | undefined;
}

/** Turns a wall-clock reading in a zone into an instant, ms since 1970 UTC. */
export type WallToUtc = (wallTime: string, zone: string) => number;

const bySky: WallToUtc = (wallTime, zone) => instantOfWallTime(wallTime, zone).getTime();

/**
 * Works out the instant of a header's date: from its offset tag, else from the zone given, and the clock's
 * own error on top. Never from the computer's zone (L18).
 *
 * @returns ms since 1970 UTC with the sub-second fraction; undefined without a date, or without offset and zone
 */
export function instantOf(
  header: Pick<FrameHeader, 'wallTime' | 'subSecond' | 'utcOffsetMinutes'>,
  { zone, clockOffset = 0 }: ClockReading = {},
  wallToUtc: WallToUtc = bySky,
): number | undefined {
  const { wallTime, subSecond = 0, utcOffsetMinutes } = header;
  if (wallTime === undefined) return undefined;
  let start: number;
  if (utcOffsetMinutes !== undefined) start = Date.parse(`${wallTime}Z`) - utcOffsetMinutes * 60_000;
  else if (zone !== undefined) start = wallToUtc(wallTime, zone);
  else return undefined;
  return Number.isFinite(start) ? start + Math.round(subSecond * 1000) + clockOffset * 1000 : undefined;
}
