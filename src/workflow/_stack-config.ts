import { DEFAULT_LOOK, type Look } from '../finishing/index.js';
import type { WorkerPool } from '../kernels/index.js';
import type { Library, SequenceRecord, SessionRecord, toStack } from '../library/index.js';
import type { CombineMethod, LandChoice } from '../stacking/index.js';
import type { WorkflowContext } from './context.js';

/** Settings of the stack stage. */
export interface StackConfig {
  /** How samples are combined; by default a clipped mean from 4 frames up, a mean below. */
  readonly method?: CombineMethod;
  /** `hold`: land sharp in front of the sky; `none`: the sky stack alone; `only`: the unmoved stack alone. */
  readonly land: LandChoice;
  /** Photographer's own mask picture, white = land. */
  readonly mask?: string;
  /** Run of the same framing whose land to use, such as `/4`; default this run's own. */
  readonly landFrom?: string;
  /** Name of a look, or a whole one. */
  readonly look: string | Look;
  /** Bytes that tiles under way may take together; raise it for speed with very many frames. */
  readonly memoryBytes: number;
  /** Use darks and flats that do not match. */
  readonly force: boolean;
  /** Take row or column offsets off, as old bodies leave them at high ISO; default none. */
  readonly banding?: 'rows' | 'columns';
  /** Lines of light (a meteor) to bring back into the picture, by their ids; default none. */
  readonly bringBack: readonly string[];
}

export const STACK_DEFAULTS: StackConfig = {
  land: 'hold',
  look: DEFAULT_LOOK,
  memoryBytes: 200e6,
  force: false,
  bringBack: [],
};

/** What became of one run. */
export interface StackOutcome {
  readonly sequenceId: string;
  readonly outcome: 'done' | 'nothing-to-do' | 'unusable';
  readonly reason?: string;
  readonly stack?: ReturnType<typeof toStack>;
}

export interface RunWork {
  readonly context: WorkflowContext;
  readonly library: Library;
  readonly pool: WorkerPool;
  readonly session: SessionRecord;
  readonly sequence: SequenceRecord;
  readonly config: StackConfig;
  readonly look: Look;
}
