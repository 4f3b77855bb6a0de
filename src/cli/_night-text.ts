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
  if (quality === 'refused') return `The ${from} will not be used: ${reason.replace(/^Its /, 'their ')}`;
  const noise =
    addedNoise >= 0.005 ? ` They add ${(100 * addedNoise).toFixed(0)} % to the noise of a frame.` : '';
  return quality === 'good'
    ? `The ${from} fit: ${reason.charAt(0).toLowerCase()}${reason.slice(1)}${noise}`
    : `The ${from} fit, but ${reason.replace(/^It fits, but /, '')}${noise}`;
}

/** What there is to say of a run, besides its row. */
function remarksOf(view: SessionView, sequence: Sequence): string[] {
  const { session } = view;
  const zone = session.site.zone;
  const files = new Map(sequence.frames.map((frame) => [frame.id, frame]));
  const remarks = [...(sequence.notes ?? [])];
  for (const hole of sequence.holes ?? []) {
    const before = files.get(hole.afterFrameId);
    const place = before
      ? `${wallClock(before.takenAt, zone)}, after ${fileName(before)}: a hole of`
      : 'A hole of';
    remarks.push(`${place} ${duration(hole.length)}, ${hole.likelyCause}.`);
  }
  for (const offer of sequence.masters ?? []) remarks.push(masterText(offer, session.id));
  const stacks = view.stacks.filter(({ sequenceId }) => sequenceId === sequence.id);
  if (stacks.length > 0 && stacks.every(({ stale }) => stale))
    remarks.push(
      `Its stack was made before your last changes; nightcairn stack ${sequence.id} makes it again.`,
    );
  return remarks;
}

/** A frame by the name that the camera gave it. */
export const fileName = (frame: Sequence['frames'][number]): string =>
  (frame.file ?? frame.id).split(/[/\\]/).pop() ?? frame.id;

/** The night as a timeline: one row a sequence with its remarks below it, then what holds for several, then verdicts. */
export function nightText(view: SessionView): string {
  const { session, sequences } = view;
  const zone = session.site.zone;
  const lines = [sessionLine(view), `Times are ${zone ?? 'UTC'}.`, ''];
  const short = (id: string) => id.replace(`${session.id}/`, '/');
  const rows = table(
    ['sequence', 'from', 'to', 'what', 'frames', 'settings', 'verdicts'],
    sequences.map((s) => [
      short(s.id),
      wallClock(s.start, zone),
      wallClock(s.end, zone),
      ROLE_WORDS[s.role] ?? s.role,
      s.frameCount,
      settings(s),
      judged(s),
    ]),
  ).split('\n');
  const remarks = sequences.map((s) => remarksOf(view, s));
  const said = new Map<string, string[]>();
  remarks.forEach((list, i) => {
    for (const text of new Set(list)) said.set(text, [...(said.get(text) ?? []), short(sequences[i]!.id)]);
  });
  lines.push(rows[0]!);
  remarks.forEach((list, i) => {
    lines.push(rows[i + 1]!);
    for (const text of list) if (said.get(text)!.length === 1) lines.push(`          ${text}`);
  });
  const shared = [...said].filter(([, runs]) => runs.length > 1);
  if (shared.length > 0) lines.push('');
  for (const [text, runs] of shared)
    lines.push(`${runs.slice(0, -1).join(', ')} and ${runs.at(-1)}: ${text}`);
  const told = sequences.flatMap((s) =>
    s.frames
      .filter((frame) => frame.verdict === 'drop' || frame.verdict === 'doubt')
      .map((frame) => [
        wallClock(frame.takenAt, zone),
        fileName(frame),
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
