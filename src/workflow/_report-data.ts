import type { Alignment } from '../alignment/index.js';
import { median, plateScale } from '../core/index.js';
import {
  alignmentOf,
  type FrameRecord,
  framesOf,
  type Library,
  notesOf,
  plan as planRecord,
  type SequenceRecord,
  type SessionRecord,
  sequencesOf,
  siteById,
  toFrames,
  toSequence,
  toSession,
} from '../library/index.js';
import type {
  GridMap,
  ReportAlignment,
  ReportData,
  ReportFrame,
  ReportOther,
  ReportPlan,
  ReportRun,
  ReportSky,
  ReportStreak,
} from '../report/index.js';
import {
  moonPosition,
  type Plan,
  type PlanFacts,
  parseTarget,
  planFacts,
  sunPosition,
  type TargetTrack,
  trackTarget,
  zoneAt,
} from '../sky/index.js';
import { turnedPlace } from './_report-turn.js';
import { skyOverhead } from './_sky-overhead.js';
import { planOf } from './plan.js';

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
export type StoredAlignment = Omit<Alignment, 'trackRows' | 'frames'> & {
  readonly matchedFrames: number;
  readonly remarks: readonly string[];
};

/** Leaves out what is undefined, null or NaN, so that unknown is absent. */
export function present<T extends object>(record: T): { [K in keyof T]: Exclude<T[K], undefined> } {
  return Object.fromEntries(
    Object.entries(record).filter(
      ([, value]) => value !== undefined && value !== null && !Number.isNaN(value),
    ),
  ) as { [K in keyof T]: Exclude<T[K], undefined> };
}

/** Where sun, moon and target stand at an instant, deg. */
type Heights = (instant: Date) => Pick<ReportFrame, 'sunAltitude' | 'moonAltitude' | 'targetAltitude'>;

function heightsAt(session: SessionRecord, target: string, middle: Date | undefined): Heights {
  const { latitude, longitude } = session.site ?? {};
  if (latitude === undefined || longitude === undefined || middle === undefined) return () => ({});
  const site = { latitude, longitude };
  let track: TargetTrack;
  try {
    track = trackTarget(parseTarget(target), site, middle);
  } catch {
    // A target that nobody understands any more has no height; sun and moon still do.
    return (instant) => ({
      sunAltitude: sunPosition(instant, site).altitude,
      moonAltitude: moonPosition(instant, site).altitude,
    });
  }
  return (instant) => ({
    sunAltitude: sunPosition(instant, site).altitude,
    moonAltitude: moonPosition(instant, site).altitude,
    targetAltitude: track(instant).altitude,
  });
}

/** File name of a frame as it came off the card. */
export const frameName = (record: FrameRecord): string => record.files[0]?.name ?? record.id;

const instantOf = (ms: number | undefined): string | undefined =>
  ms === undefined ? undefined : new Date(ms).toISOString();

/** The settings of a sequence in the order a photographer says them. */
function settingsText(sequence: SequenceRecord): string {
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

function holesOf(
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
function folderNotes(records: readonly FrameRecord[]): string[] {
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

function reportRun(
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

function otherOf(sequence: SequenceRecord, records: readonly FrameRecord[]): ReportOther {
  const reasons = [
    ...new Set(records.map((record) => record.roleReason).filter((text) => text !== undefined)),
  ];
  const note = sequence.notes[0] ?? (reasons.length === 1 ? reasons[0] : undefined);
  return present({
    role: sequence.role,
    frameCount: sequence.frameCount,
    settings: settingsText(sequence),
    start: instantOf(sequence.startMs),
    note,
  });
}

/** What was planned; undefined when nobody planned this night. */
function reportPlan(library: Library, session: SessionRecord): { plan: ReportPlan; full?: Plan } | undefined {
  const record = session.planId === undefined ? undefined : planRecord(library, session.planId);
  if (!record) return undefined;
  const full = planOf(library, record);
  const site = record.siteId === undefined ? undefined : siteById(library, record.siteId);
  return {
    plan: present({
      id: record.id,
      siteName: site?.name,
      focalLengthMm: record.focalLengthMm,
      fNumber: record.fNumber,
      iso: record.iso,
      exposureTime: record.exposureTime,
      frames: record.frames,
      target: record.target,
      notes: record.notes,
      facts: full ? planFacts(full) : undefined,
    }),
    ...(full ? { full } : {}),
  };
}

/** The night as it was, worked out from the site and the settings really used. */
function realFacts(
  session: SessionRecord,
  target: string,
  main: { readonly sequence: SequenceRecord; readonly records: readonly FrameRecord[] } | undefined,
): PlanFacts | undefined {
  const { latitude, longitude, name, zone, skyBrightness } = session.site ?? {};
  if (latitude === undefined || longitude === undefined) return undefined;
  const header = main?.records[0]?.header;
  const { sequence } = main ?? {};
  const optional = present({
    focalLengthMm: sequence?.focalLengthMm,
    pixelPitchUm: header?.pixelPitchUm,
    imageWidth: header?.width,
    imageHeight: header?.height,
    fNumber: sequence?.fNumber,
    iso: sequence?.iso,
    shutter: sequence?.realExposureTime ?? sequence?.exposureTime,
    frames: sequence?.frameCount,
    camera: sequence?.camera,
    lens: sequence?.lens,
    skyBrightness,
  });
  const site = {
    ...(name === undefined ? {} : { name }),
    latitude,
    longitude,
    zone: session.zone || zone || zoneAt(latitude, longitude),
  };
  const plan = { site, night: session.night, target, ...optional } as Plan;
  try {
    return planFacts(plan);
  } catch {
    // A header with impossible settings: the sky of the night holds without them.
    return planFacts({ site, night: session.night, target });
  }
}

function skyOfSession(
  { site }: SessionRecord,
  target: string,
  instant: Date | undefined,
): ReportSky | undefined {
  const { latitude, longitude } = site ?? {};
  if (latitude === undefined || longitude === undefined || instant === undefined) return undefined;
  return skyOverhead({ latitude, longitude }, target, instant);
}

/** One run of the report with the records it was made from. */
export interface RunSource {
  readonly sequence: SequenceRecord;
  readonly records: readonly FrameRecord[];
}

/**
 * Gathers what the catalogue knows of a session for its report. Paths of pictures and stacks are not in it
 * yet; the stage adds them.
 */
export function gatherReport(
  library: Library,
  session: SessionRecord,
  made: { readonly at: Date; readonly version: string },
): { readonly data: ReportData; readonly sources: readonly RunSource[] } {
  const sequences = sequencesOf(library, session.id);
  const all = framesOf(library, session.id);
  const damaged = all.filter((record) => !record.sound);
  const sources = sequences
    .filter((sequence) => sequence.role === 'light')
    .map((sequence) => ({ sequence, records: framesOf(library, sequence.id) }));
  const main = [...sources].sort((a, b) => b.records.length - a.records.length)[0];
  const planned = reportPlan(library, session);
  const target = planned?.full?.target ?? 'core';
  const middleMs = main?.records[Math.floor(main.records.length / 2)]?.takenMs;
  const middle = middleMs === undefined ? undefined : new Date(middleMs);
  const heights = heightsAt(session, target, middle);
  const { id, night, site } = toSession(session);
  const data = present({
    session: { id, night, site },
    madeAt: made.at.toISOString(),
    toolVersion: made.version,
    plan: planned?.plan,
    facts: realFacts(session, target, main),
    sky: skyOfSession(session, target, middle),
    runs: sources.map(({ sequence, records }) => reportRun(library, sequence, records, { heights, damaged })),
    others: sequences
      .filter((sequence) => sequence.role !== 'light')
      .map((sequence) => otherOf(sequence, framesOf(library, sequence.id))),
    unreadable: all.flatMap((record) =>
      record.files
        .filter((file) => file.failure !== undefined)
        .map((file) => ({ name: file.name, code: file.failure!.code, message: file.failure!.message })),
    ),
    remarks: session.remarks,
    notes: notesOf(library, 'session', session.id),
  });
  return { data, sources };
}
