import type { Alignment } from '../alignment/index.js';
import { median, plateScale } from '../core/index.js';
import {
  alignmentOf,
  type FrameRecord,
  type Library,
  type SequenceRecord,
  toFrames,
  toSequence,
} from '../library/index.js';
import type { GridMap, ReportAlignment, ReportFrame, ReportRun, ReportStreak } from '../report/index.js';
import { present } from './_present.js';
import { folderNotes, frameName, holesOf } from './_report-gaps.js';
import { turnedPlace } from './_report-turn.js';

/** What measuring left in a frame's `extra`. */
interface Extra {
  readonly clippedShare?: number | null;
  readonly temperature?: number | null;
  readonly streaks?: readonly ReportStreak[];
  readonly headMotion?: { readonly x: number; readonly y: number };
  /** 5 x 5, row by row. */
  readonly zones?: readonly { readonly fwhm?: number | null }[];
}

const ZONES = 5;

/** fwhm in the middle zone and, median, in the four corner zones. */
function zoneWidths(zones: Extra['zones']): { fwhmMiddle?: number; fwhmCorners?: number } {
  if (zones?.length !== ZONES * ZONES) return {};
  const last = ZONES * ZONES - 1;
  const at = (i: number) => zones[i]?.fwhm ?? Number.NaN;
  return present({
    fwhmMiddle: at(Math.floor(last / 2)),
    fwhmCorners: median([at(0), at(ZONES - 1), at(last - ZONES + 1), at(last)]),
  });
}

/** The alignment as the catalogue keeps it. */
type StoredAlignment = Omit<Alignment, 'trackRows' | 'frames'> & {
  readonly matchedFrames: number;
  readonly remarks: readonly string[];
};

/** Where sun, moon and target stand at an instant, deg. */
export type Heights = (instant: Date) => Pick<ReportFrame, 'sunAltitude' | 'moonAltitude' | 'targetAltitude'>;

/** The settings of a sequence in the order a photographer says them. */
export function settingsText(sequence: SequenceRecord): string {
  const { focalLengthMm, fNumber, exposureTime, iso } = sequence;
  const plain = (value: number, digits: number) => String(Number(value.toFixed(digits)));
  return (
    [
      focalLengthMm === undefined ? undefined : `${plain(focalLengthMm, 1)} mm`,
      fNumber === undefined ? undefined : `f/${plain(fNumber, 1)}`,
      exposureTime === undefined
        ? undefined
        : exposureTime >= 0.3
          ? `${plain(exposureTime, exposureTime < 2 ? 1 : 0)} s`
          : `1/${Math.round(1 / exposureTime)} s`,
      iso === undefined ? undefined : `ISO ${iso}`,
    ]
      .filter((part) => part !== undefined)
      .join(', ') || 'settings unknown'
  );
}

function reportFrame(
  json: ReturnType<typeof toFrames>[number],
  record: FrameRecord,
  heights: Heights,
): ReportFrame {
  const { measurement } = record;
  const extra = (measurement?.extra ?? {}) as Extra;
  const exposure = json.realExposureTime ?? json.exposureTime;
  const middle = record.takenMs === undefined ? undefined : new Date(record.takenMs + 500 * (exposure ?? 0));
  return present({
    id: record.id,
    name: frameName(record),
    takenAt: json.takenAt,
    verdict: json.verdict,
    byPerson: json.verdictBy === 'person',
    reasons: json.reasons,
    remarks: json.remarks ?? [],
    exposureTime: exposure,
    // A frame that could not be read has no stars counted, not none.
    starCount: record.sound ? json.starCount : undefined,
    fwhm: json.fwhm,
    fwhmRatio: measurement?.fwhmRatio,
    ...zoneWidths(extra.zones),
    trailLength: json.trailLength,
    predictedTrail: json.predictedTrail,
    transparency: json.transparency,
    skyRate:
      json.background === undefined || exposure === undefined || exposure <= 0
        ? undefined
        : json.background / exposure,
    temperature: extra.temperature ?? json.temperature,
    ...(middle === undefined ? {} : heights(middle)),
    segment: measurement?.segment,
    clippedShare: extra.clippedShare ?? undefined,
    width: json.width,
    height: json.height,
    sideways: (record.header.orientation ?? 1) >= 5 ? true : undefined,
    headMotion: extra.headMotion === undefined ? undefined : { x: extra.headMotion.x, y: extra.headMotion.y },
    streaks: extra.streaks ?? [],
  });
}

/** What alignment left in each zone, turned as the picture is seen. */
function residualMap(alignment: StoredAlignment, orientation: number | undefined): GridMap | undefined {
  const { zones } = alignment;
  if (zones.length === 0) return undefined;
  const stored = {
    columns: 1 + Math.max(...zones.map((zone) => zone.column)),
    rows: 1 + Math.max(...zones.map((zone) => zone.row)),
  };
  const sideways = (orientation ?? 1) >= 5;
  const columns = sideways ? stored.rows : stored.columns;
  const rows = sideways ? stored.columns : stored.rows;
  const values = new Array<number | null>(columns * rows).fill(null);
  for (const { column, row, rms, count } of zones) {
    if (count === 0 || !Number.isFinite(rms ?? Number.NaN)) continue;
    const middle = (index: number, of: number) => (2 * index + 1) / of - 1;
    const [x, y] = turnedPlace([middle(column, stored.columns), middle(row, stored.rows)], orientation);
    const index = (place: number, of: number) => Math.min(of - 1, Math.floor(((place + 1) / 2) * of));
    values[index(y, rows) * columns + index(x, columns)] = rms;
  }
  return { columns, rows, values };
}

function reportAlignment(stored: StoredAlignment, sample: FrameRecord | undefined): ReportAlignment {
  const focal = stored.focalLengthPx?.known ? stored.focalLengthPx.value : undefined;
  const pitch = sample?.header.pixelPitchUm;
  const focalMm = focal === undefined || pitch === undefined ? undefined : (focal * pitch) / 1000;
  return present({
    method: stored.method,
    rms: stored.rms,
    cornerRms: stored.cornerRms,
    matchedFrames: stored.matchedFrames,
    residuals: residualMap(stored, sample?.header.orientation),
    focalLengthPx: focal,
    focalLengthMm: focalMm,
    plateScale: focalMm === undefined || pitch === undefined ? undefined : plateScale(pitch, focalMm),
    segmentCount: stored.segmentCount,
    notes: stored.notes,
  });
}

/** A run of lights as the report shows it, without pictures and stack. */
export function reportRun(
  library: Library,
  sequence: SequenceRecord,
  records: readonly FrameRecord[],
  options: { readonly heights: Heights; readonly damaged: readonly FrameRecord[] },
): ReportRun {
  const json = toSequence(sequence);
  const frames = toFrames(library, sequence, records);
  const stored = alignmentOf<StoredAlignment>(library, sequence.id);
  return present({
    sequenceId: sequence.id,
    settings: settingsText(sequence),
    camera: sequence.camera,
    lens: sequence.lens,
    exposureTime: sequence.exposureTime,
    realExposureTime: sequence.realExposureTime,
    iso: sequence.iso,
    fNumber: sequence.fNumber,
    focalLengthMm: sequence.focalLengthMm,
    start: json.start,
    end: json.end,
    cadence: sequence.cadence,
    inCameraDark: sequence.inCameraDark,
    holes: holesOf(sequence, records, options.damaged),
    // A knock is told from the measured motion, with its size.
    notes: [
      ...sequence.notes.filter((note) => !note.startsWith('The tripod was knocked')),
      ...folderNotes(records),
    ],
    remarks: stored?.remarks ?? [],
    frames: frames.map((frame, i) => reportFrame(frame, records[i]!, options.heights)),
    transients: [],
    alignment: stored ? reportAlignment(stored, records[0]) : undefined,
  });
}
