/** Julian day of 1970-01-01T00:00:00Z. @source definition; J. Meeus, Astronomical Algorithms (2nd ed. 1998), ch. 7. */
const UNIX_EPOCH_JULIAN_DAY = 2_440_587.5;
const MS_PER_DAY = 86_400_000;

/** Converts an instant to its Julian day (UT), in days. */
export const julianDay = (instant: Date): number => instant.getTime() / MS_PER_DAY + UNIX_EPOCH_JULIAN_DAY;

/** Converts a Julian day (UT) to the instant, to the nearest ms. */
export const instantOfJulianDay = (day: number): Date =>
  new Date(Math.round((day - UNIX_EPOCH_JULIAN_DAY) * MS_PER_DAY));
