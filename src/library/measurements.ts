import { InputError, type Reason, type Verdict } from '../core/index.js';
import { json, jsonOrNull, number, present, type Row, real, row, rows, run, text, upsert } from './_rows.js';
import { inTransaction, type Library } from './library.js';
import type { MeasurementRecord } from './records.js';

const NUMBERS = {
  starCount: 'star_count',
  fwhm: 'fwhm',
  fwhmMinor: 'fwhm_minor',
  elongation: 'elongation',
  trailLength: 'trail_length',
  trailAngle: 'trail_angle',
  predictedTrail: 'predicted_trail',
  extraTrail: 'extra_trail',
  background: 'background',
  noise: 'noise',
  transparency: 'transparency',
  cloudCover: 'cloud_cover',
  fwhmRatio: 'fwhm_ratio',
  weight: 'weight',
  offsetX: 'offset_x',
  offsetY: 'offset_y',
  offsetRotation: 'offset_rotation',
  segment: 'segment',
} as const;

function toMeasurement(cells: Row): MeasurementRecord {
  const numbers: Record<string, number | undefined> = {};
  for (const [name, column] of Object.entries(NUMBERS)) numbers[name] = number(cells[column]);
  return present({
    ...numbers,
    verdict: text(cells.verdict) as Verdict | undefined,
    measuredVerdict: text(cells.measured_verdict) as Verdict | undefined,
    verdictBy: text(cells.verdict_by) as 'measured' | 'person' | undefined,
    reasons: json<Reason[]>(cells.reasons),
    remarks: json<string[]>(cells.remarks),
    extra: json<unknown>(cells.extra),
  }) as MeasurementRecord;
}

/** Measurements by frame id; `among` is a sub-query for ids. */
export function measurementsOf(
  library: Library,
  among: string,
  values: readonly unknown[],
): Map<string, MeasurementRecord> {
  const found = rows(library, `SELECT * FROM measurements WHERE frame_id IN (${among})`, ...values);
  return new Map(found.map((cells) => [String(cells.frame_id), toMeasurement(cells)]));
}

/** What a stage hands over; NaN and absent both mean unknown. A verdict in it is the measured one. */
export type MeasurementContent = Omit<MeasurementRecord, 'verdictBy' | 'measuredVerdict'>;

/**
 * Stores what was measured of a frame. Fields that are absent keep what an earlier stage stored; a
 * person's own verdict outranks the measured one and stays. Where a frame is dropped now and was not, or the
 * other way, stacks made before are stale.
 */
export function saveMeasurement(library: Library, frameId: string, content: MeasurementContent): void {
  saveMeasurements(library, [{ frameId, ...content }]);
}

/** The same for many frames in one transaction. */
export function saveMeasurements(
  library: Library,
  all: readonly (MeasurementContent & { readonly frameId: string })[],
): void {
  inTransaction(library, () => {
    const touched = new Set<string>();
    const otherwise = new Set<string>();
    for (const content of all) {
      const before = row(
        library,
        'SELECT verdict, verdict_by FROM measurements WHERE frame_id = ?',
        content.frameId,
      );
      const columns: Record<string, unknown> = { frame_id: content.frameId };
      for (const [name, column] of Object.entries(NUMBERS)) {
        if (name in content) {
          const value = real(content[name as keyof typeof NUMBERS]);
          columns[column] =
            value !== null && (column === 'star_count' || column === 'segment') ? Math.round(value) : value;
        }
      }
      if ('reasons' in content) columns.reasons = jsonOrNull(content.reasons);
      if ('remarks' in content) columns.remarks = jsonOrNull(content.remarks);
      if ('extra' in content) columns.extra = jsonOrNull(content.extra);
      upsert(library, 'measurements', ['frame_id'], columns);
      if (content.verdict !== undefined) {
        run(
          library,
          `UPDATE measurements SET measured_verdict = @verdict,
             verdict = CASE WHEN verdict_by = 'person' THEN verdict ELSE @verdict END,
             verdict_by = CASE WHEN verdict_by = 'person' THEN 'person' ELSE 'measured' END
           WHERE frame_id = @id`,
          { verdict: content.verdict, id: content.frameId },
        );
      }
      const sequenceId = row(
        library,
        'SELECT sequence_id FROM frames WHERE id = ?',
        content.frameId,
      )?.sequence_id;
      if (typeof sequenceId !== 'string') continue;
      touched.add(sequenceId);
      const judged = typeof before?.verdict === 'string' && before.verdict_by === 'measured';
      if (judged && content.verdict && (before.verdict === 'drop') !== (content.verdict === 'drop'))
        otherwise.add(sequenceId);
    }
    for (const sequenceId of touched) recount(library, sequenceId);
    // What was stacked when other frames were dropped holds a frame too many or too few.
    for (const sequenceId of otherwise)
      run(library, 'UPDATE stacks SET stale = 1 WHERE sequence_id = ?', sequenceId);
  });
}

/**
 * Sets the verdict of a frame: by a `person` it outranks what is measured, now and later; by `measured` it
 * counts unless a person chose. Undefined by a person takes the choice back.
 *
 * @throws {InputError} UNKNOWN_ID
 */
export function setVerdict(
  library: Library,
  frameId: string,
  verdict: Verdict | undefined,
  by: 'measured' | 'person',
): void {
  inTransaction(library, () => {
    const found = row(library, 'SELECT sequence_id FROM frames WHERE id = ?', frameId);
    if (!found) {
      throw new InputError(
        'UNKNOWN_ID',
        `Expected the id of a frame but received ${JSON.stringify(frameId)}.`,
      );
    }
    if (by === 'measured') {
      saveMeasurement(library, frameId, verdict === undefined ? {} : { verdict });
    } else {
      run(library, 'INSERT INTO measurements (frame_id) VALUES (?) ON CONFLICT DO NOTHING', frameId);
      run(
        library,
        verdict === undefined
          ? `UPDATE measurements SET verdict = measured_verdict,
               verdict_by = CASE WHEN measured_verdict IS NULL THEN NULL ELSE 'measured' END WHERE frame_id = @id`
          : "UPDATE measurements SET verdict = @verdict, verdict_by = 'person' WHERE frame_id = @id",
        verdict === undefined ? { id: frameId } : { verdict, id: frameId },
      );
    }
    if (typeof found.sequence_id === 'string') {
      recount(library, found.sequence_id);
      // What was stacked before a person's choice may hold a frame too many or too few.
      if (by === 'person')
        run(library, 'UPDATE stacks SET stale = 1 WHERE sequence_id = ?', found.sequence_id);
    }
  });
}

/** Works the counts of a sequence out again from its frames, and what search needs of its measurements. */
export function recount(library: Library, sequenceId: string): void {
  run(
    library,
    `UPDATE sequences SET (frame_count, kept, doubtful, dropped, total_exposure, fwhm, background, corner_ratio) = (
       SELECT count(*),
         coalesce(sum(f.role = 'light' AND m.verdict = 'keep'), 0),
         coalesce(sum(f.role = 'light' AND m.verdict = 'doubt'), 0),
         coalesce(sum(f.role = 'light' AND m.verdict = 'drop'), 0),
         coalesce(sum(CASE WHEN f.sound = 0 OR m.verdict = 'drop' THEN 0
           ELSE coalesce(f.header ->> '$.exposureTime', 0) END), 0.0) + 0.0,
         avg(CASE WHEN m.verdict IN ('keep', 'doubt') THEN m.fwhm END),
         avg(CASE WHEN m.verdict IN ('keep', 'doubt') THEN m.background END),
         avg(CASE WHEN m.verdict IN ('keep', 'doubt') THEN (
           SELECT avg(z.value ->> '$.fwhm') FROM json_each(m.extra, '$.zones') z WHERE z.key IN (0, 4, 20, 24)
         ) / nullif(m.extra ->> '$.zones[12].fwhm', 0) END)
       FROM frames f LEFT JOIN measurements m ON m.frame_id = f.id WHERE f.sequence_id = @id)
     WHERE id = @id`,
    { id: sequenceId },
  );
  const limiting = row(
    library,
    `SELECT r.value ->> '$.code' AS code, count(*) AS n FROM frames f JOIN measurements m ON m.frame_id = f.id,
       json_each(m.reasons) r WHERE f.sequence_id = ? AND m.verdict IN ('doubt', 'drop') GROUP BY code ORDER BY n DESC, code LIMIT 1`,
    sequenceId,
  );
  run(library, 'UPDATE sequences SET limiting = ? WHERE id = ?', text(limiting?.code) ?? null, sequenceId);
}
