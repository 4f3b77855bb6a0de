/** A number with a fixed number of decimals, trailing zeros gone. */
export const fixed = (value: number, digits: number): string => String(Number(value.toFixed(digits)));

/** s as a person says it. */
export function duration(seconds: number): string {
  if (seconds < 90) return `${fixed(seconds, seconds < 10 ? 1 : 0)} s`;
  // Under ten minutes the seconds are still worth saying.
  if (seconds < 600) {
    const whole = Math.round(seconds);
    return whole % 60 === 0 ? `${whole / 60} min` : `${Math.floor(whole / 60)} min ${whole % 60} s`;
  }
  const minutes = Math.round(seconds / 60);
  return minutes < 90
    ? `${minutes} min`
    : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, '0')} min`;
}

/** An exposure time as on the camera's dial. */
export function shutter(seconds: number | undefined): string {
  if (seconds === undefined) return 'unknown';
  return seconds >= 0.3 ? `${fixed(seconds, seconds < 2 ? 1 : 0)} s` : `1/${Math.round(1 / seconds)} s`;
}

/** `HH:MM` of an instant in a zone. */
export function clock(instant: string | undefined, zone: string, seconds = false): string {
  if (instant === undefined) return 'never';
  return new Intl.DateTimeFormat('en-GB', {
    timeZone: zone,
    hour: '2-digit',
    minute: '2-digit',
    ...(seconds ? { second: '2-digit' } : {}),
    hourCycle: 'h23',
  }).format(new Date(instant));
}

export const known = (values: readonly (number | undefined)[]): number[] =>
  values.filter((value): value is number => value !== undefined && Number.isFinite(value));

/** A sentence worked out elsewhere, or the words given where a number in it came out as none. */
export const sound = (text: string, otherwise: string): string =>
  /\bNaN\b|Infinity/.test(text) ? otherwise : text;
