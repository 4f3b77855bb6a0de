import { type FrameHeader, InputError } from '../core/index.js';
import type { SessionContent } from '../library/index.js';
import { instantOfWallTime } from '../sky/index.js';
import type { IntakeTools } from './_intake-tools.js';
import { bodyOf, type Member } from './_members.js';
import { startOf } from './_sort-nights.js';

/** Before this no digital camera was any good at night: a clock that says so began anew, ms. */
const NO_CAMERA_YET = Date.UTC(2001, 0, 2);
const DAY = 86_400_000;

/**
 * Sentences about a clock that is plainly wrong or missing, and what to type to put it right (P53, P55).
 */
export function clockRemarks(
  tools: IntakeTools,
  on: { readonly session: SessionContent; readonly members: readonly Member[]; readonly now: Date },
): string[] {
  const { session, members, now } = on;
  const bodies = new Map<string, { member: Member; start: number }[]>();
  for (const member of members) {
    const start = startOf(tools, session, member.header);
    if (start === undefined) continue;
    const body = bodyOf(member.header);
    bodies.set(body, [...(bodies.get(body) ?? []), { member, start }]);
  }
  const remarks: string[] = [];
  for (const [body, frames] of bodies) {
    const first = frames.reduce((a, b) => (b.start < a.start ? b : a));
    const why = frames.some(({ start }) => start > now.getTime() + DAY)
      ? 'lies in the future'
      : isFactoryDate(first.member.header, first.start, now)
        ? 'seems to have fallen back to its factory date'
        : undefined;
    if (why === undefined) continue;
    const name = first.member.cardPath.split('/').at(-1);
    const wall = first.member.header.wallTime?.replace('T', ' ') ?? new Date(first.start).toISOString();
    const which = bodies.size > 1 && body !== '' ? ` --body "${body}"` : '';
    remarks.push(
      `The camera's clock ${why}: ${name} says ${wall}. When was it really taken? All frames follow with: nightcairn amend ${session.id}${which} --first-frame-at YYYY-MM-DDTHH:MM`,
    );
  }
  const without = members.filter(
    ({ hasHeader, header }) => hasHeader && startOf(tools, session, header) === undefined,
  ).length;
  if (without > 0) {
    remarks.push(
      `${without === 1 ? '1 frame carries' : `${without} frames carry`} no time; sorted by place on the card.`,
    );
  }
  return remarks;
}

/**
 * True for a clock that began anew when its battery was out: before digital cameras took nights, or on the
 * first of January of a year gone by, where cameras start. Only a hint: such a night may be real. A clock that
 * was put right says so by its offset and is not asked about again.
 */
function isFactoryDate(header: FrameHeader, start: number, now: Date): boolean {
  if (start < NO_CAMERA_YET) return true;
  const year = Number(/^(\d{4})-01-01T/.exec(header.wallTime ?? '')?.[1]);
  return year <= now.getUTCFullYear() - 2 && new Date(start).getUTCFullYear() <= year;
}

/**
 * The clock offset, s, that puts the first frame (of one body, where given) at the time a person says.
 *
 * @param wallTime `YYYY-MM-DDTHH:MM` or with seconds, on the clocks of the session's zone
 * @throws {InputError} when there is no frame with a time, or the time is none
 */
export function offsetForFirstFrame(
  tools: IntakeTools,
  members: readonly Member[],
  said: { readonly wallTime: string; readonly zone: string; readonly body?: string | undefined },
): number {
  const match = /^(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2})(:\d{2})?$/.exec(said.wallTime.trim());
  const real = match
    ? instantOfWallTime(`${match[1]}T${match[2]}${match[3] ?? ':00'}`, said.zone).getTime()
    : Number.NaN;
  if (!Number.isFinite(real)) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a date and time for --first-frame-at but received ${JSON.stringify(said.wallTime)}; as in --first-frame-at 2026-08-13T22:05.`,
    );
  }
  const starts = members
    .filter(({ header }) => said.body === undefined || bodyOf(header) === said.body)
    .flatMap(({ header }) => tools.instant(header, { zone: said.zone, clockOffset: 0 }) ?? []);
  if (starts.length === 0) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected frames with a time${said.body === undefined ? '' : ` of the body ${said.body}`} for --first-frame-at but the session has none.`,
    );
  }
  return Math.round((real - Math.min(...starts)) / 1000);
}
