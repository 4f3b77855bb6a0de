import type { Progress, ProgressEvent } from '../core/index.js';

const BAR = 24;

/** How much is done; nothing where there is nothing to count. */
function amount(event: ProgressEvent): string {
  const { done, total, unit } = event;
  if (unit === undefined && total === undefined && done === 0) return '';
  if (unit === 'bytes') {
    const mb = (value: number) => `${(value / 1e6).toFixed(value < 1e8 ? 1 : 0)} MB`;
    return total === undefined ? mb(done) : `${mb(done)} of ${mb(total)}`;
  }
  const words = unit === undefined || unit === 'steps' ? '' : ` ${unit}`;
  return total === undefined ? `${done}${words}` : `${done} of ${total}${words}`;
}

/** Seconds in words: `40 s`, `3 min`, `1 h 10 min`. */
function lasting(seconds: number): string {
  if (seconds < 90) return `${Math.ceil(seconds)} s`;
  const minutes = Math.ceil(seconds / 60);
  return minutes < 90 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}

/** Speed, where bytes move, and the time left at the pace so far; empty before two seconds have passed. */
function pace(event: ProgressEvent, elapsed: number): string {
  const { done, total, unit } = event;
  if (elapsed < 2 || done <= 0) return '';
  const speed =
    unit === 'bytes' ? `, ${(done / 1e6 / elapsed).toFixed(done / elapsed < 1e7 ? 1 : 0)} MB/s` : '';
  const share = total ? done / total : 1;
  return share > 0.02 && share < 1 ? `${speed}, ${lasting(elapsed * (1 / share - 1))} left` : speed;
}

/**
 * Shows progress on stderr: one bar that is drawn over itself on a terminal, a plain line every so often
 * elsewhere. Nothing with `quiet`.
 */
export function makeProgress(options: { readonly quiet: boolean; readonly stream: NodeJS.WriteStream }): {
  readonly progress: Progress;
  /** Wipes the bar so that other text can be printed. */
  readonly clear: () => void;
} {
  const { quiet, stream } = options;
  if (quiet) return { progress: () => {}, clear: () => {} };
  let drawn = false;
  let task = '';
  let lastTime = 0;
  let started = 0;
  let ended = false;
  /** A task that ended keeps its last line; one that did not is wiped. */
  const clear = () => {
    if (drawn) stream.write(ended ? '\n' : '\r\x1b[2K');
    drawn = false;
  };
  const progress: Progress = (event) => {
    const now = performance.now();
    const begins = event.task !== task;
    const ends = event.total !== undefined && event.done >= event.total;
    if (begins) {
      if (ended) clear();
      task = event.task;
      started = now;
    }
    if (!begins && !ends && now - lastTime < (stream.isTTY ? 100 : 5000)) return;
    lastTime = now;
    const share = event.total ? Math.min(1, event.done / event.total) : undefined;
    const said = amount(event);
    const line = [
      `${event.task}${said === '' ? '' : `: ${said}`}${pace(event, (now - started) / 1000)}`,
      ...(event.note ? [event.note] : []),
    ].join(said === '' ? ': ' : '  ');
    if (!stream.isTTY) {
      stream.write(`${line}\n`);
      return;
    }
    const bar = share === undefined ? '' : `${'#'.repeat(Math.round(share * BAR)).padEnd(BAR, '.')} `;
    stream.write(`\r\x1b[2K${`${bar}${line}`.slice(0, Math.max(20, (stream.columns || 80) - 1))}`);
    drawn = true;
    ended = ends;
  };
  return { progress, clear };
}
