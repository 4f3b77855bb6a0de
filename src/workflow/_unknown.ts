/**
 * A copy of a record for JSON in which unknown numbers (NaN, infinite) are absent instead of `null`. In lists
 * of numbers they stay as `null`, so that places keep their meaning.
 */
export function withoutUnknown<T>(value: T): T {
  if (Array.isArray(value)) {
    return value.map((item: unknown) => (typeof item === 'object' ? withoutUnknown(item) : item)) as T;
  }
  if (typeof value !== 'object' || value === null || ArrayBuffer.isView(value)) return value;
  const known = Object.entries(value).flatMap(([name, item]: [string, unknown]) =>
    typeof item === 'number' && !Number.isFinite(item) ? [] : [[name, withoutUnknown(item)] as const],
  );
  return Object.fromEntries(known) as T;
}
