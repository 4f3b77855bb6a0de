import { mkdir } from 'node:fs/promises';
import { join } from 'node:path';
import { DataError, InputError, many } from '../core/index.js';
import { findSequences, hashesOf, type SequenceRecord, type SessionRecord } from '../library/index.js';
import { type CombineMethod, landShift, shiftedBy } from '../stacking/index.js';
import { type PreparedRun, prepareRun } from './_prepare-run.js';
import { loadAlignmentFile, NOT_MEASURED, runFolder } from './_run-folder.js';
import type { RunWork } from './_stack-config.js';
import { type LandLayer, landOf } from './_stack-land.js';
import { type Member, membersOf } from './_stack-members.js';

/** px: a tripod that moved more between two runs shows the land from elsewhere. */
const MOST_MOVED = 3;
/** px: less than this is left as it is; moving would only blur. */
const LEAST_MOVED = 0.1;

/** Another run whose land is to stand in front of this one's sky. */
export interface LandSource {
  readonly session: SessionRecord;
  readonly sequence: SequenceRecord;
}

/** The run named for its land (`/4` within the night). @throws {InputError} UNKNOWN_ID; VALUE_OUT_OF_RANGE for other than lights */
export function landSource(work: Pick<RunWork, 'library' | 'session'>, wanted: string): LandSource {
  const { session, sequences } = findSequences(
    work.library,
    wanted.startsWith('/') ? `${work.session.id}${wanted}` : wanted,
  );
  const [sequence, ...more] = sequences.filter(({ role }) => role === 'light');
  if (!sequence || more.length > 0) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected one run of lights for --land-from, such as ${session.id}/3, but ${wanted} ${sequence ? 'holds several' : 'is none'}.`,
    );
  }
  return { session, sequence };
}

/** Hashes of the frames that the land comes from, for the recipe. */
export const landHashes = (work: Pick<RunWork, 'library' | 'session'>, wanted: string) => {
  const { sequence } = landSource(work, wanted);
  return { sequence: sequence.id, frames: Object.fromEntries(hashesOf(work.library, sequence.id)) };
};

/**
 * Makes the land from another run of the same framing (P10): longer or less noisy frames, brought to this run's
 * exposure, ISO and aperture, and to its place where the head moved a little between the two.
 *
 * @param own this run's own land, which says where the land lies
 * @throws {DataError} NO_ALIGNMENT when the other run was not measured or shows the land from elsewhere;
 *   SIZE_MISMATCH; TOO_FEW_FRAMES
 */
export async function landFrom(
  work: RunWork,
  own: LandLayer,
  by: {
    readonly run: PreparedRun;
    readonly wanted: string;
    readonly method: CombineMethod;
    readonly scratchDir: string;
  },
): Promise<LandLayer> {
  const { run, wanted, method } = by;
  const source = landSource(work, wanted);
  const alignment = await loadAlignmentFile(
    runFolder(work.library.dir, source.session, source.sequence).alignment,
  );
  if (!alignment)
    throw new DataError('NO_ALIGNMENT', `${source.sequence.id}, meant for its land: ${NOT_MEASURED}`);
  if (alignment.width !== run.alignment.width || alignment.height !== run.alignment.height) {
    throw new DataError(
      'SIZE_MISMATCH',
      `Expected land frames of ${run.alignment.width} x ${run.alignment.height} px but those of ${source.sequence.id} are ${alignment.width} x ${alignment.height} px.`,
    );
  }
  const there: RunWork = { ...work, ...source, config: { ...work.config, land: 'only' } };
  const members = membersOf(there, alignment);
  if (members.length === 0) {
    throw new DataError(
      'TOO_FEW_FRAMES',
      `Expected kept frames in ${source.sequence.id} for the land but there is none.`,
    );
  }
  const scratchDir = join(by.scratchDir, 'land-run');
  await mkdir(scratchDir, { recursive: true });
  const { force, banding, memoryBytes } = work.config;
  const other = await prepareRun(there, alignment, members, scratchDir, {
    banding,
    force,
    resultBytes: 0,
    command: 'stack',
  });
  const options = { scratch: other.scratch, memoryBytes };
  const shared = { ...other.shared, method };
  const layer = await landOf(there, shared, other.frames, members, options, run.firstMask, other.reference);
  if (!layer) throw new DataError('TOO_FEW_FRAMES', `No land could be made from ${source.sequence.id}.`);
  const factor = lightOf(run.reference) / lightOf(other.reference);
  const scaled = shiftedBy(layer.image, [0, 0], factor);
  const shift = landShift(own.image, scaled, own.mask);
  const moved = Math.hypot(...shift);
  if (moved > MOST_MOVED) {
    throw new DataError(
      'NO_ALIGNMENT',
      `Expected the land of ${source.sequence.id} where that of ${work.sequence.id} is but it lies ${moved.toFixed(1)} px away: the tripod moved between the two.`,
    );
  }
  return {
    ...own,
    image: moved > LEAST_MOVED ? shiftedBy(layer.image, shift, factor) : scaled,
    frames: layer.frames,
    note: `The land comes from ${many(layer.frames, 'frame')} of ${source.sequence.id}, brought to this run's exposure${moved > LEAST_MOVED ? ` and moved by ${moved.toFixed(1)} px` : ''}.`,
  };
}

/** Light that a frame's settings let in and turn into numbers, relative: s x ISO / f-number^2. */
function lightOf({ exposure, record }: Member): number {
  const { iso, fNumber } = record.header;
  return (exposure * (iso ?? 1)) / (fNumber ?? 1) ** 2;
}
