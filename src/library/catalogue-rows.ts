import {
  type FrameJson,
  type SequenceJson,
  type SessionJson,
  toFrame,
  toFrames,
  toSequence,
  toSession,
} from './contract.js';
import { framesOf } from './frames.js';
import type { Library } from './library.js';
import type { SequenceRecord, SessionRecord } from './records.js';
import { sequencesOf } from './sessions.js';
import { notesOf, tagsOf } from './words.js';

/** A value of an exported row; undefined = unknown: an empty field of CSV, an absent name of JSON Lines. */
export type Field = string | number | boolean | undefined;

/** One column of an exported table. */
export interface Column<T> {
  readonly name: string;
  /** Unit in words, empty for names and counts. */
  readonly unit: string;
  readonly meaning: string;
  readonly read: (from: T) => Field;
}

/** The photographer's own. */
interface Words {
  readonly notes: string;
  readonly tags: readonly string[];
}
interface SessionRow extends Words {
  readonly record: SessionRecord;
  readonly session: SessionJson;
}
interface SequenceRow extends Words {
  readonly record: SequenceRecord;
  readonly sequence: SequenceJson;
}
interface FrameRow {
  readonly session: string;
  readonly sequence: string | undefined;
  readonly frame: FrameJson;
}

const column = <T>(name: string, unit: string, meaning: string, read: (from: T) => Field): Column<T> => ({
  name,
  unit,
  meaning,
  read,
});

const WORD_COLUMNS: readonly Column<Words>[] = [
  column('notes', '', "the photographer's own words", ({ notes }) => notes || undefined),
  column(
    'tags',
    '',
    "the photographer's own tags, apart by commas",
    ({ tags }) => tags.join(', ') || undefined,
  ),
];

export const SESSION_COLUMNS: readonly Column<SessionRow>[] = [
  column('session', '', 'id of the night at its site', ({ session }) => session.id),
  column('night', 'date', 'local date of the evening', ({ session }) => session.night),
  column('site', '', 'name of the site', ({ session }) => session.site.name),
  column(
    'latitude',
    'degrees, north positive',
    'position of the site',
    ({ session }) => session.site.latitude,
  ),
  column(
    'longitude',
    'degrees, east positive',
    'position of the site',
    ({ session }) => session.site.longitude,
  ),
  column('zone', '', 'IANA time zone that the clocks were read in', ({ session }) => session.site.zone),
  column(
    'skyBrightness',
    'mag/arcsec2',
    'darkness of the site, larger is darker',
    ({ record }) => record.site?.skyBrightness,
  ),
  column('plan', '', 'id of the plan that the night answers', ({ session }) => session.planId),
  column('frames', '', 'frames of all roles', ({ record }) => record.frameCount),
  column('lights', '', 'frames of the sky', ({ record }) => record.lightCount),
  ...WORD_COLUMNS,
];

export const SEQUENCE_COLUMNS: readonly Column<SequenceRow>[] = [
  column('sequence', '', 'id of the run', ({ sequence }) => sequence.id),
  column('session', '', 'id of its night', ({ sequence }) => sequence.sessionId),
  column('role', '', 'light, dark, flat, bias, test or other', ({ sequence }) => sequence.role),
  column('start', 'UTC', 'start of the first exposure, ISO 8601', ({ sequence }) => sequence.start),
  column('end', 'UTC', 'end of the last exposure, ISO 8601', ({ sequence }) => sequence.end),
  column('camera', '', 'body as the files name it', ({ sequence }) => sequence.camera),
  column('lens', '', 'lens as the files name it', ({ sequence }) => sequence.lens),
  column('focalLength', 'mm', '', ({ sequence }) => sequence.focalLength),
  column('fNumber', '', 'aperture', ({ sequence }) => sequence.fNumber),
  column('iso', '', 'ISO setting', ({ sequence }) => sequence.iso),
  column(
    'exposureTime',
    's',
    'shutter as recorded; of a bracket the median',
    ({ sequence }) => sequence.exposureTime,
  ),
  column('bracketed', '', 'whether shutters differ within the run', ({ sequence }) => sequence.bracketed),
  column('segments', '', 'stretches between knocks of the tripod', ({ sequence }) => sequence.segments),
  column('cadence', 's', 'median time from one start to the next', ({ sequence }) => sequence.cadence),
  column('frames', '', '', ({ sequence }) => sequence.frameCount),
  column('kept', '', 'lights kept', ({ sequence }) => sequence.kept),
  column('doubtful', '', 'lights in doubt, stacked with their weights', ({ sequence }) => sequence.doubtful),
  column('dropped', '', 'lights left out', ({ sequence }) => sequence.dropped),
  column('totalExposure', 's', 'over frames not dropped', ({ sequence }) => sequence.totalExposure),
  column(
    'moonlight',
    'percent',
    'lit share of the moon while it was up, 0 = moon down',
    ({ record }) => record.moonlight,
  ),
  column('fwhm', 'px', 'mean star size of kept and doubtful lights', ({ record }) => record.fwhm),
  ...WORD_COLUMNS,
];

export const FRAME_COLUMNS: readonly Column<FrameRow>[] = [
  column('frame', '', 'id, from the bytes of its file', ({ frame }) => frame.id),
  column('session', '', 'id of its night', ({ session }) => session),
  column('sequence', '', 'id of its run; none for a file that cannot be read', ({ sequence }) => sequence),
  column('file', '', 'path of its first file', ({ frame }) => frame.file),
  column('sha256', '', 'SHA-256 of that file (FIPS 180-4)', ({ frame }) => frame.sha256),
  column('takenAt', 'UTC', 'start of the exposure, ISO 8601', ({ frame }) => frame.takenAt),
  column('role', '', 'light, dark, flat, bias, test or other', ({ frame }) => frame.role),
  column('exposureTime', 's', 'shutter as recorded', ({ frame }) => frame.exposureTime),
  column('realExposureTime', 's', 'shutter as the cadence tells it', ({ frame }) => frame.realExposureTime),
  column('iso', '', 'ISO setting', ({ frame }) => frame.iso),
  column('fNumber', '', 'aperture', ({ frame }) => frame.fNumber),
  column('focalLength', 'mm', '', ({ frame }) => frame.focalLength),
  column('temperature', 'degrees C', 'of the sensor, where recorded', ({ frame }) => frame.temperature),
  column('width', 'px', '', ({ frame }) => frame.width),
  column('height', 'px', '', ({ frame }) => frame.height),
  column('starCount', '', 'stars measured', ({ frame }) => frame.starCount),
  column('fwhm', 'px', 'median full width of the stars at half their height', ({ frame }) => frame.fwhm),
  column('elongation', '', 'long axis over short axis of the stars', ({ frame }) => frame.elongation),
  column('trailLength', 'px', 'measured trail', ({ frame }) => frame.trailLength),
  column('trailAngle', 'degrees', 'of the trail, from right toward down', ({ frame }) => frame.trailAngle),
  column(
    'predictedTrail',
    'px',
    'trail that the turning sky makes with this shutter',
    ({ frame }) => frame.predictedTrail,
  ),
  column('background', 'ADU above black', 'sky level', ({ frame }) => frame.background),
  column('noise', 'ADU', 'of a pixel of the sky', ({ frame }) => frame.noise),
  column(
    'transparency',
    '',
    "share of the stars' light that came through, 1 = clear",
    ({ frame }) => frame.transparency,
  ),
  column('cloudCover', '', 'share of the sky behind cloud', ({ frame }) => frame.cloudCover),
  column(
    'offsetX',
    'px',
    'move of the frame against the reference, right positive',
    ({ frame }) => frame.offset?.x,
  ),
  column(
    'offsetY',
    'px',
    'move of the frame against the reference, down positive',
    ({ frame }) => frame.offset?.y,
  ),
  column(
    'rotation',
    'degrees',
    'turn of the frame against the reference',
    ({ frame }) => frame.offset?.rotation,
  ),
  column('verdict', '', 'keep, doubt, drop, or none for other roles', ({ frame }) => frame.verdict),
  column('verdictBy', '', 'measured or person', ({ frame }) => frame.verdictBy),
  column(
    'reasons',
    '',
    'codes of the reasons, apart by commas',
    ({ frame }) => frame.reasons.map(({ code }) => code).join(', ') || undefined,
  ),
  column(
    'why',
    '',
    'the reasons in words',
    ({ frame }) => frame.reasons.map(({ text }) => text).join(' ') || undefined,
  ),
];

/** The three tables of an export. */
export interface CatalogueTable {
  readonly name: 'sessions' | 'sequences' | 'frames';
  readonly columns: readonly Pick<Column<never>, 'name' | 'unit' | 'meaning'>[];
  /** Rows in the order of the columns, made as they are asked for. */
  readonly rows: () => Generator<readonly Field[]>;
}

const row = <T>(columns: readonly Column<T>[], from: T): Field[] => columns.map(({ read }) => read(from));

/** Sessions, runs and frames of some sessions as tables, oldest first. */
export function catalogueTables(library: Library, sessions: readonly SessionRecord[]): CatalogueTable[] {
  return [
    {
      name: 'sessions',
      columns: SESSION_COLUMNS,
      *rows() {
        for (const record of sessions)
          yield row(SESSION_COLUMNS, {
            ...{ record, session: toSession(record) },
            ...{ notes: notesOf(library, 'session', record.id), tags: tagsOf(library, 'session', record.id) },
          });
      },
    },
    {
      name: 'sequences',
      columns: SEQUENCE_COLUMNS,
      *rows() {
        for (const { id } of sessions)
          for (const record of sequencesOf(library, id))
            yield row(SEQUENCE_COLUMNS, {
              ...{ record, sequence: toSequence(record) },
              ...{
                notes: notesOf(library, 'sequence', record.id),
                tags: tagsOf(library, 'sequence', record.id),
              },
            });
      },
    },
    {
      name: 'frames',
      columns: FRAME_COLUMNS,
      *rows() {
        for (const { id } of sessions) yield* framesOfNight(library, id);
      },
    },
  ];
}

/** Frames by run, then those that belong to none. */
function* framesOfNight(library: Library, session: string): Generator<readonly Field[]> {
  const all = framesOf(library, session);
  for (const record of sequencesOf(library, session)) {
    const own = all
      .filter(({ sequenceId }) => sequenceId === record.id)
      .sort((a, b) => (a.position ?? 0) - (b.position ?? 0));
    for (const frame of toFrames(library, record, own))
      yield row(FRAME_COLUMNS, { session, sequence: record.id, frame });
  }
  for (const record of all)
    if (record.sequenceId === undefined)
      yield row(FRAME_COLUMNS, { session, sequence: undefined, frame: toFrame(library, record) });
}

/** One line of CSV, ended. @source RFC 4180 section 2: CRLF, fields with comma, quote or line break in quotes */
export const csvLine = (fields: readonly Field[]): string =>
  `${fields
    .map((field) => {
      const text = field === undefined ? '' : String(field);
      return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
    })
    .join(',')}\r\n`;

/** One line of JSON Lines: an object with the known fields only. */
export const jsonLine = (names: readonly string[], fields: readonly Field[]): string =>
  `${JSON.stringify(Object.fromEntries(names.map((name, i) => [name, fields[i]])))}\n`;
