import type { Progress, ProgressEvent } from '../core/index.js';

const BAR = 24;

function amount(event: ProgressEvent): string {
  const { done, total, unit } = event;
  if (unit === 'bytes') {
    const mb = (value: number) => `${(value / 1e6).toFixed(value < 1e8 ? 1 : 0)} MB`;
    return total === undefined ? mb(done) : `${mb(done)} of ${mb(total)}`;
  }
  const words = unit === undefined || unit === 'steps' ? '' : ` ${unit}`;
  return total === undefined ? `${done}${words}` : `${done} of ${total}${words}`;
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
  const clear = () => {
    if (drawn) stream.write('\r\x1b[2K');
    drawn = false;
  };
  const progress: Progress = (event) => {
    const now = performance.now();
    const begins = event.task !== task;
    const ends = event.total !== undefined && event.done >= event.total;
    if (begins) {
      task = event.task;
      started = now;
    }
    if (!begins && !ends && now - lastTime < (stream.isTTY ? 100 : 5000)) return;
    lastTime = now;
    const share = event.total ? Math.min(1, event.done / event.total) : undefined;
    const note = event.note ? `  ${event.note}` : '';
    if (!stream.isTTY) {
      stream.write(`${event.task}: ${amount(event)}${note}\n`);
      return;
    }
    const left =
      share !== undefined && share > 0.05 && share < 1 && now - started > 2000
        ? `, ${Math.ceil(((now - started) / 1000) * (1 / share - 1))} s left`
        : '';
    const bar = share === undefined ? '' : `${'#'.repeat(Math.round(share * BAR)).padEnd(BAR, '.')} `;
    const line = `${bar}${event.task}: ${amount(event)}${left}${note}`;
    stream.write(`\r\x1b[2K${line.slice(0, Math.max(20, (stream.columns ?? 80) - 1))}`);
    drawn = true;
    if (ends) {
      stream.write('\n');
      drawn = false;
    }
  };
  return { progress, clear };
}
