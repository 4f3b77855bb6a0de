import { describe, expect, it } from 'vitest';
import type { FrameRecord, SequenceRecord } from '../../src/library/index.js';
import { folderNotes, holesOf } from '../../src/workflow/_report-gaps.js';

/** A frame of the card, just as far as the gaps of a run look at it. */
const frame = (folder: number, number: number, takenMs?: number): FrameRecord =>
  ({
    id: `${folder}-${number}`,
    header: { fileNumber: number },
    files: [
      {
        name: `TWK_${String(number).padStart(4, '0')}.DNG`,
        cardPath: `DCIM/${folder}TARNW/TWK_${String(number).padStart(4, '0')}.DNG`,
      },
    ],
    ...(takenMs === undefined ? {} : { takenMs }),
  }) as unknown as FrameRecord;

const holes = (...list: SequenceRecord['holes']): SequenceRecord => ({ holes: list }) as SequenceRecord;

describe('folderNotes', () => {
  it('tells a roll of the numbers into a second folder (L77)', () => {
    const notes = folderNotes([frame(100, 9998), frame(100, 9999), frame(101, 1), frame(101, 2)]);
    expect(notes).toEqual([
      'File numbers began again and the camera went on in a second folder (TWK_9999.DNG to TWK_0001.DNG); it is one run.',
    ]);
  });

  it('tells a change of folder without a roll', () => {
    expect(folderNotes([frame(100, 40), frame(101, 41)])[0]).toContain('went on in another folder');
  });

  it('says nothing of files whose names do not follow the clock', () => {
    expect(folderNotes([frame(100, 39), frame(100, 7), frame(100, 35)])).toEqual([]);
  });
});

describe('holesOf', () => {
  const run = [frame(100, 14, 1000), frame(100, 16, 30_000)];
  const hole = { afterFrameId: '100-14', length: 14.5, likelyCause: '1 file number is missing' };

  it('names the damaged file that was shot in a hole, by its time or by its number (P21)', () => {
    for (const damaged of [frame(100, 15, 15_000), frame(100, 15)]) {
      expect(holesOf(holes(hole), run, [damaged])[0]).toEqual({
        length: 14.5,
        after: 'TWK_0014.DNG',
        likelyCause: 'TWK_0015.DNG was shot there, but damaged on the card.',
      });
    }
  });

  it('leaves the cause as it was when the damaged file lies elsewhere', () => {
    for (const damaged of [frame(100, 15, 60_000), frame(100, 30)]) {
      expect(holesOf(holes(hole), run, [damaged])[0]!.likelyCause).toBe('1 file number is missing.');
    }
  });
});
