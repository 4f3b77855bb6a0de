/** Leaves out what is undefined, null or NaN, so that unknown is absent. */
export function present<T extends object>(record: T): { [K in keyof T]: Exclude<T[K], undefined> } {
  return Object.fromEntries(
    Object.entries(record).filter(
      ([, value]) => value !== undefined && value !== null && !Number.isNaN(value),
    ),
  ) as { [K in keyof T]: Exclude<T[K], undefined> };
}
