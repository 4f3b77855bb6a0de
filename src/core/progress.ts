/** One step forward of a stage, for whoever shows it. */
export interface ProgressEvent {
  /** What is being done, in words a photographer says: `copying`, `measuring stars`. */
  readonly task: string;
  /** Units done and to do, in `unit`. `total` is absent when nobody knows yet. */
  readonly done: number;
  readonly total?: number;
  readonly unit?: 'files' | 'frames' | 'bytes' | 'tiles' | 'steps';
  /** A short remark beside the bar. */
  readonly note?: string;
}

export type Progress = (event: ProgressEvent) => void;

/** A progress that tells nobody. */
export const silent: Progress = () => {};

/** The present, handed in so that pure code and tests never read the computer's clock themselves. */
export type Clock = () => Date;
