/** A stride that samples some 100,000 of `length` values and is odd, so that it meets all sites of a pattern. */
export function sitePeriod(length: number): number {
  return Math.max(1, Math.floor(length / 100_000)) | 1;
}
