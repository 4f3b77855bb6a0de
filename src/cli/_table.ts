/** Lays rows out in columns; numbers to the right, words to the left. */
export function table(
  header: readonly string[],
  rows: readonly (readonly (string | number | undefined)[])[],
): string {
  const cells = [header, ...rows.map((row) => row.map((cell) => (cell === undefined ? '' : String(cell))))];
  const widths = header.map((_, i) => Math.max(...cells.map((row) => (row[i] ?? '').length)));
  const right = header.map((_, i) => rows.some((row) => typeof row[i] === 'number'));
  const line = (row: readonly string[]) =>
    row
      .map((cell, i) => (right[i] ? cell.padStart(widths[i]!) : cell.padEnd(widths[i]!)))
      .join('  ')
      .trimEnd();
  return cells.map((row) => line(row as readonly string[])).join('\n');
}

/** A duration in s as a person says it: `45 s`, `12 min`, `1 h 05 min`. */
export function duration(seconds: number): string {
  if (!Number.isFinite(seconds)) return 'unknown';
  if (seconds < 90) return `${Number(seconds.toFixed(seconds < 10 ? 1 : 0))} s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 90) return `${minutes} min`;
  return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, '0')} min`;
}

/** An exposure time as written on a camera: `10 s`, `1/250 s`. */
export function shutter(seconds: number | undefined): string {
  if (seconds === undefined) return '';
  if (seconds >= 0.3) return `${Number(seconds.toFixed(seconds < 2 ? 1 : 0))} s`;
  return `1/${Math.round(1 / seconds)} s`;
}
