import type { FrameRecord, SequenceRecord } from '../library/index.js';
import type { ReportRun } from '../report/index.js';

/** File name of a frame as it came off the card. */
export const frameName = (record: FrameRecord): string => record.files[0]?.name ?? record.id;

/** Names of files that should lie in a hole but are damaged. */
function damagedWithin(before: FrameRecord, after: FrameRecord, damaged: readonly FrameRecord[]): string[] {
  const [low, high] = [before.header.fileNumber, after.header.fileNumber];
  return damaged
    .filter((record) => {
      if (record.takenMs !== undefined && before.takenMs !== undefined && after.takenMs !== undefined) {
        return record.takenMs > before.takenMs && record.takenMs < after.takenMs;
      }
      const digits = /(\d+)\.[^.]+$/.exec(frameName(record))?.[1];
      if (digits === undefined || low === undefined || high === undefined) return false;
      return Number(digits) > low && Number(digits) < high;
    })
    .map(frameName);
}

/** The holes of a run in words, with the damaged file where that explains one. */
export function holesOf(
  sequence: SequenceRecord,
  records: readonly FrameRecord[],
  damaged: readonly FrameRecord[],
): ReportRun['holes'] {
  return sequence.holes.map((hole) => {
    const at = records.findIndex((record) => record.id === hole.afterFrameId);
    const [before, after] = [records[at], records[at + 1]];
    const lost = before && after ? damagedWithin(before, after, damaged) : [];
    return {
      length: hole.length,
      after: before ? frameName(before) : 'an unknown frame',
      likelyCause:
        lost.length > 0
          ? `${lost.join(', ')} ${lost.length === 1 ? 'was' : 'were'} shot there, but damaged on the card.`
          : `${hole.likelyCause}.`,
    };
  });
}

/** Highest file number of a camera's folder. @source DCF 2.0 (JEITA CP-3461), file names */
const ROLL = 9999;

/** Says when a run crosses folders of the card, and when the camera's numbers began again. */
export function folderNotes(records: readonly FrameRecord[]): string[] {
  const notes: string[] = [];
  const folderOf = (record: FrameRecord) => record.files[0]?.cardPath.split('/').slice(0, -1).join('/') ?? '';
  for (let i = 1; i < records.length; i++) {
    const [before, here] = [records[i - 1]!, records[i]!];
    const [from, to] = [folderOf(before), folderOf(here)];
    const [a, b] = [before.header.fileNumber, here.header.fileNumber];
    // DCF numbers end at 9999; other names need not follow the clock at all.
    const rolled = a !== undefined && b !== undefined && a > ROLL - 200 && b < 200;
    if (from === to && !rolled) continue;
    const names = `${frameName(before)} to ${frameName(here)}`;
    notes.push(
      rolled && from !== to
        ? `File numbers began again and the camera went on in a second folder (${names}); it is one run.`
        : rolled
          ? `File numbers began again (${names}); it is one run.`
          : `The camera went on in another folder (${names}); it is one run.`,
    );
  }
  return notes;
}
