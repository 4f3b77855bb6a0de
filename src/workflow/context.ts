import type { Clock, Progress } from '../core/index.js';

/** What every stage is given besides its own options. */
export interface WorkflowContext {
  /** Folder of the photographer's library. */
  readonly libraryDir: string;
  readonly progress: Progress;
  /** Raised by Ctrl-C; a stage then stops between two steps and leaves nothing half-done. */
  readonly signal?: AbortSignal;
  readonly clock: Clock;
  /** Worker threads to use; default as many as the computer offers, up to 8. */
  readonly workers?: number;
}
