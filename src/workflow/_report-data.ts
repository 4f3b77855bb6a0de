import {
  type FrameRecord,
  framesOf,
  type Library,
  notesOf,
  plan as planRecord,
  type SequenceRecord,
  type SessionRecord,
  sequencesOf,
  siteById,
  toSession,
} from '../library/index.js';
import type { ReportData, ReportOther, ReportPlan, ReportSky } from '../report/index.js';
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
import { present } from './_present.js';
import { type Heights, reportRun, settingsText } from './_report-run.js';
import { skyOverhead } from './_sky-overhead.js';
import { planOf } from './plan.js';

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

const instantOf = (ms: number | undefined): string | undefined =>
  ms === undefined ? undefined : new Date(ms).toISOString();

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
