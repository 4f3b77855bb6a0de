import type { IntervalText } from './plan-facts-types.js';
import type { Interval } from './zoned-time.js';

/** An instant as ISO 8601 ending in Z. */
export const iso = (instant: Date): string => instant.toISOString();

/** A stretch as ISO 8601 instants. */
export const asText = ({ start, end }: Interval): IntervalText => ({ start: iso(start), end: iso(end) });

/** Drops the fields that are not known. */
export function known<T extends object>(record: { [K in keyof T]: T[K] | undefined }): T {
  return Object.fromEntries(Object.entries(record).filter(([, value]) => value !== undefined)) as T;
}
