import { median } from '../core/index.js';
import { isAtPace, isSteady } from './_cadence.js';
import { folderOf, idleBetween, type Shot } from './_order.js';
import { cutWhere, type Run, shutterOf } from './_runs.js';
import { type Framed, frameRun, holdAgainst } from './_segments.js';
import { sameSettings, sameShutter } from './_settings.js';

/** A run of one framing on its way to becoming a sequence. */
export interface Draft extends Framed {
  readonly role: Run['role'];
  readonly bracketed: boolean;
  readonly notes: readonly string[];
  /** Why these shots are tests; their reason. */
  readonly testReason?: string;
}

/** This many shots of one framing are lights, fewer may be tests. */
const LEAST_RUN = 3;
/** Tests are shot before their run within this, s. */
const TEST_SPAN = 2700;
/** A sweep of the focus ring changes the star size by this factor at least. */
const SWEEP_FACTOR = 1.35;
/** A sweep is at most this long; longer is a run that lost its focus. */
const LONGEST_SWEEP = 20;

/** Cuts a run of lights by framing and takes the tests at its beginning off. */
export function draftsOf(run: Run): Draft[] {
  const { role, bracketed } = run;
  if (role !== 'light') return [{ shots: run.shots, knocks: [], role, bracketed, notes: [] }];
  return frameRun(run.shots).flatMap((framed) =>
    // A bracket is of one framing: a knock ends it.
    (bracketed ? atKnocks(framed) : takeLeadOff(framed)).flatMap((piece) => {
      const notes = piece.brokenBy ? [piece.brokenBy] : [];
      if (bracketed) return [{ ...piece, role, bracketed: hasShutters(piece.shots), notes }];
      return takeSweepOff(piece).map((part) =>
        part.sweep ? sweepDraft(part.shots) : { ...part, role, bracketed, notes },
      );
    }),
  );
}

/** Whether shots have at least two shutters. */
const hasShutters = (shots: readonly Shot[]): boolean =>
  shots.some((shot) => !sameShutter(shots[0]!.frame.header, shot.frame.header));

/** Parts a run at every knock. */
function atKnocks({ shots, knocks, ...rest }: Framed): Framed[] {
  return cutWhere(shots, (_, shot) => knocks.includes(shot)).map((part, i) =>
    i === 0
      ? { ...rest, shots: part, knocks: [] }
      : { shots: part, knocks: [], brokenBy: 'The framing changed here.' },
  );
}

/** A first segment of one or two shots before a longer rest was a test of the framing. */
function takeLeadOff(framed: Framed): Framed[] {
  const { shots, knocks } = framed;
  const first = knocks[0];
  if (!first) return [framed];
  const lead = shots.indexOf(first);
  const rest = shots.slice(lead);
  if (lead >= LEAST_RUN || rest.length < Math.max(LEAST_RUN, 2 * lead + 1)) return [framed];
  // What the clock took at the pace of the run is no test.
  if (isAtPace(shots[lead - 1]!, first, rest)) return [framed];
  return [
    { ...framed, shots: shots.slice(0, lead), knocks: [] },
    { shots: rest, knocks: knocks.slice(1), brokenBy: 'The framing was set here.' },
  ];
}

/** The star sizes of shots, px; NaN where unknown. */
const sizesOf = (shots: readonly Shot[]): number[] =>
  shots.map((shot) => shot.frame.glimpse?.sharpness ?? Number.NaN);

/**
 * Takes a focus sweep off the beginning of a run of one framing: shots whose star size changes from shot to
 * shot until it settles. A short run that never settles is a sweep as a whole.
 */
function takeSweepOff(framed: Framed): (Framed & { readonly sweep: boolean })[] {
  const { shots, knocks } = framed;
  const sizes = sizesOf(shots);
  const whole = [{ ...framed, sweep: false }];
  if (isSweep(shots, sizes)) return [{ ...framed, sweep: true }];
  const end = settledFrom(sizes);
  if (end === 0 || shots.length - end < LEAST_RUN) return whole;
  // Three or more equally soft shots are a run out of focus; one or two are tests.
  if (end >= LEAST_RUN && !changes(sizes.slice(0, end))) return whole;
  const lead = shots.slice(0, end);
  if (end < LEAST_RUN && isAtPace(lead.at(-1)!, shots[end]!, shots.slice(end))) return whole;
  return [
    { ...framed, shots: lead, knocks: knocks.filter((shot) => lead.includes(shot)), sweep: end >= LEAST_RUN },
    {
      shots: shots.slice(end),
      knocks: knocks.filter((shot) => !lead.slice(0, end + 1).includes(shot) && shot !== shots[end]),
      brokenBy: 'The focus was set here.',
      sweep: false,
    },
  ];
}

/** The first shot from which four in a row have one star size while those before were clearly softer; else 0. */
function settledFrom(sizes: readonly number[]): number {
  for (let end = 0; end <= Math.min(LONGEST_SWEEP, sizes.length - LEAST_RUN); end++) {
    const plateau = sizes.slice(end, end + 4);
    if (plateau.some(Number.isNaN) || spread(plateau) > 1.12) continue;
    // A sweep may pass through the best focus on its way; shots without stars are no part of it.
    let lead = end;
    while (lead > 0 && Number.isNaN(sizes[lead - 1]!)) lead--;
    return lead > 0 && median(sizes.slice(0, lead)) > 1.15 * median(plateau) ? lead : 0;
  }
  return 0;
}

/** Whether the star size changes by hand: most steps are larger than the measuring scatter. */
function changes(sizes: readonly number[]): boolean {
  const known = sizes.filter(Number.isFinite);
  if (known.length < LEAST_RUN || spread(known) < SWEEP_FACTOR) return false;
  let steps = 0;
  for (let i = 1; i < known.length; i++)
    if (Math.abs(Math.log(known[i]! / known[i - 1]!)) > Math.log(1.07)) steps++;
  return steps >= 0.5 * (known.length - 1);
}

function isSweep(shots: readonly Shot[], sizes: readonly number[]): boolean {
  if (shots.length < LEAST_RUN || shots.length > LONGEST_SWEEP || !changes(sizes)) return false;
  const known = sizes.filter(Number.isFinite);
  if (known.length < shots.length * 0.7) return false;
  // Dew or a slipping ring in a run by the clock only gets worse; a sweep goes through a best place.
  const best = known.indexOf(Math.min(...known));
  return !(isSteady(shots, 0.85) && best < known.length / 3 && shots.length > 5);
}

const spread = (values: readonly number[]): number => Math.max(...values) / Math.min(...values);

function sweepDraft(shots: readonly Shot[]): Draft {
  const sizes = sizesOf(shots);
  let best = 0;
  sizes.forEach((size, i) => {
    if (size < sizes[best]! || Number.isNaN(sizes[best]!)) best = i;
  });
  const name = shots[best]!.frame.path.split('/').at(-1)!;
  return {
    shots,
    knocks: [],
    role: 'test',
    bracketed: false,
    testReason: 'Part of a focus sweep.',
    notes: [`A focus sweep of ${shots.length} frames; the sharpest is ${name}.`],
  };
}

/**
 * Marks one or two shots before a longer run as tests and longer, lower-ISO shots of a run's framing as its
 * land frames. Takes the drafts of one body in order of time.
 */
export function findTests(drafts: readonly Draft[]): Draft[] {
  return drafts.map((draft, i) => {
    if (
      draft.role !== 'light' ||
      draft.shots.some((shot) => shot.frame.chosenRole ?? shot.frame.header.statedRole)
    )
      return draft;
    const land = landFor(drafts, i);
    if (land) return { ...draft, notes: [...draft.notes, land] };
    if (draft.shots.length >= LEAST_RUN) return draft;
    const run = nextRun(drafts, i);
    if (!run || isOfAClock(draft, [drafts[i - 1], drafts[i + 1]])) return draft;
    return { ...draft, role: 'test' as const, testReason: 'One or two shots before a longer run.' };
  });
}

/** Whether a draft was shot at the pace of the run of like settings just before or after it. */
function isOfAClock(draft: Draft, neighbours: readonly (Draft | undefined)[]): boolean {
  return neighbours.some((other, k) => {
    if (other?.role !== 'light' || other.shots.length < LEAST_RUN + 1) return false;
    if (!sameSettings(other.shots[0]!.frame.header, draft.shots[0]!.frame.header)) return false;
    return k === 0
      ? isAtPace(other.shots.at(-1)!, draft.shots[0]!, other.shots)
      : isAtPace(draft.shots.at(-1)!, other.shots[0]!, other.shots);
  });
}

/** The longer run that a short draft was a test for. */
function nextRun(drafts: readonly Draft[], i: number): Draft | undefined {
  const own = drafts[i]!;
  const last = own.shots.at(-1)!;
  const dated = last.startMs !== undefined;
  // Without times only the very next frames of the same folder can be what a test was for.
  for (const later of drafts.slice(i + 1, dated ? undefined : i + 2)) {
    if (!dated && folderOf(later.shots[0]!.frame.path) !== folderOf(last.frame.path)) return undefined;
    if (later.role !== 'light' && later.role !== 'test') continue;
    const idle = idleBetween(last, later.shots[0]!);
    if (idle > TEST_SPAN) return undefined;
    if (later.role === 'light' && later.shots.length >= Math.max(LEAST_RUN, 2 * own.shots.length))
      return later;
  }
  return undefined;
}

/** Whether a draft holds longer, lower-ISO shots of the framing of another run (P10). */
function landFor(drafts: readonly Draft[], i: number): string | undefined {
  const own = drafts[i]!;
  const iso = own.shots[0]!.frame.header.iso;
  const shutter = shutterOf(own.shots);
  if (iso === undefined || !(shutter > 0)) return undefined;
  const candidates = drafts
    .map((draft, k) => ({ draft, k }))
    .filter(({ draft, k }) => {
      if (k === i || draft.role !== 'light' || draft.shots.length < LEAST_RUN) return false;
      // Before the run one or two shots are rather tests than land.
      if (k > i && own.shots.length < LEAST_RUN) return false;
      const other = draft.shots[0]!.frame.header.iso;
      return other !== undefined && iso <= 0.8 * other && shutter >= 1.8 * shutterOf(draft.shots);
    })
    .sort((a, b) => Math.abs(a.k - i) - Math.abs(b.k - i) || a.k - b.k);
  for (const { draft, k } of candidates) {
    const [earlier, later] =
      k < i ? [draft.shots.at(-1)!, own.shots[0]!] : [own.shots.at(-1)!, draft.shots[0]!];
    if (idleBetween(earlier, later) > TEST_SPAN) continue;
    const step = holdAgainst(earlier, later);
    if (step?.match.verdict === 'different') continue;
    const name = draft.shots[0]!.frame.path.split('/').at(-1)!;
    return `Longer and at a lower ISO than the run from ${name} with the same framing: land frames for it.`;
  }
  return undefined;
}
