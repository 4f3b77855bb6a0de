import { many } from '../core/index.js';
import type { SessionView } from '../workflow/index.js';
import { duration, shutter, table } from './_table.js';

/** Wall clock of an instant in the session's zone, `HH:MM`. */
export function wallClock(instant: string | undefined, zone: string | undefined): string {
  if (instant === undefined) return 'no time';
  return new Intl.DateTimeFormat('en-GB', {
    timeZone: zone ?? 'UTC',
    hour: '2-digit',
    minute: '2-digit',
    hourCycle: 'h23',
  }).format(new Date(instant));
}

const ROLE_WORDS: Readonly<Record<string, string>> = {
  light: 'lights',
  dark: 'darks',
  flat: 'flats',
  bias: 'biases',
  test: 'tests',
  other: 'other',
};

type Sequence = SessionView['sequences'][number];

/** The settings of a run in the order a photographer says them. */
export function settings(
  sequence: Partial<Pick<Sequence, 'focalLength' | 'fNumber' | 'exposureTime' | 'iso'>>,
): string {
  return [
    sequence.focalLength === undefined ? undefined : `${Number(sequence.focalLength.toFixed(1))} mm`,
    sequence.fNumber === undefined ? undefined : `f/${Number(sequence.fNumber.toFixed(1))}`,
    sequence.exposureTime === undefined ? undefined : shutter(sequence.exposureTime),
    sequence.iso === undefined ? undefined : `ISO ${sequence.iso}`,
  ]
    .filter((part) => part !== undefined)
    .join(', ');
}

function judged(sequence: Sequence): string {
  const { kept, doubtful, dropped, frameCount } = sequence;
  if (sequence.role !== 'light') return '';
  if (kept + doubtful + dropped === 0) return 'not judged yet';
  const rest = frameCount - kept - doubtful - dropped;
  return [
    `${kept} kept`,
    doubtful ? `${doubtful} doubtful` : '',
    dropped ? `${dropped} dropped` : '',
    rest ? `${rest} unjudged` : '',
  ]
    .filter((part) => part !== '')
    .join(', ');
}

/** One line for a session: place, night, how much there is. */
export function sessionLine(view: SessionView): string {
  const { session, sequences } = view;
  const lights = sequences.filter((s) => s.role === 'light');
  const frames = lights.reduce((sum, s) => sum + s.frameCount, 0);
  const exposure = lights.reduce((sum, s) => sum + (s.totalExposure ?? 0), 0);
  return `${session.id}: the night of ${session.night} at ${session.site.name}, ${many(frames, 'light')}, ${duration(exposure)} of exposure`;
}

/** What there is to calibrate a run with and how well it fits, as one sentence. */
function masterText(offer: NonNullable<Sequence['masters']>[number], sessionId: string): string {
  const { kind, sequenceId, night, frameCount, quality, reason, addedNoise } = offer;
  const plural = kind === 'bias' ? 'biases' : `${kind}s`;
  const from =
    sequenceId === undefined
      ? `${many(frameCount, kind, plural)} of ${night ?? 'an earlier night'}`
      : `${many(frameCount, kind, plural)} of ${sequenceId.replace(`${sessionId}/`, '/')}`;
  if (quality === 'refused') return `The ${from} will not be used: ${reason}`;
  const noise =
    addedNoise >= 0.005 ? ` They add ${(100 * addedNoise).toFixed(0)} % to the noise of a frame.` : '';
  return quality === 'good'
    ? `The ${from} fit: ${reason.charAt(0).toLowerCase()}${reason.slice(1)}${noise}`
    : `The ${from} fit, but ${reason.replace(/^It fits, but /, '')}${noise}`;
}

/** The night as a timeline: one row a sequence, remarks and reasons below. */
export function nightText(view: SessionView): string {
  const { session, sequences } = view;
  const zone = session.site.zone;
  const lines = [sessionLine(view), `Times are ${zone ?? 'UTC'}.`, ''];
  lines.push(
    table(
      ['sequence', 'from', 'to', 'what', 'frames', 'settings', 'verdicts'],
      sequences.map((s) => [
        s.id.replace(`${session.id}/`, '/'),
        wallClock(s.start, zone),
        wallClock(s.end, zone),
        ROLE_WORDS[s.role] ?? s.role,
        s.frameCount,
        settings(s),
        judged(s),
      ]),
    ),
  );
  for (const s of sequences) {
    const notes = [...(s.notes ?? [])];
    for (const hole of s.holes ?? []) notes.push(`A hole of ${duration(hole.length)}: ${hole.likelyCause}`);
    const name = s.id.replace(`${session.id}/`, '/');
    for (const offer of s.masters ?? []) notes.push(masterText(offer, session.id));
    for (const note of notes) lines.push(`${name}: ${note}`);
  }
  for (const { id } of sequences) {
    const stacks = view.stacks.filter(({ sequenceId }) => sequenceId === id);
    if (stacks.length > 0 && stacks.every(({ stale }) => stale))
      lines.push(
        `${id.replace(`${session.id}/`, '/')}: Its stack was made before your last changes; nightcairn stack ${id} makes it again.`,
      );
  }
  const told = sequences.flatMap((s) =>
    s.frames
      .filter((frame) => frame.verdict === 'drop' || frame.verdict === 'doubt')
      .map((frame) => [
        wallClock(frame.takenAt, zone),
        (frame.file ?? frame.id).split(/[/\\]/).pop(),
        `${frame.verdict}${frame.verdictBy === 'person' ? ' (yours)' : ''}`,
        frame.reasons.map((reason) => reason.text).join(' '),
      ]),
  );
  if (told.length > 0) lines.push('', table(['at', 'frame', 'verdict', 'why'], told));
  if (view.remarks.length > 0) lines.push('', ...view.remarks);
  if (view.notes) lines.push('', `Notes: ${view.notes}`);
  if (view.tags.length > 0) lines.push(`Tags: ${view.tags.join(', ')}`);
  return lines.join('\n');
}
