import { median } from '../core/index.js';
import { cadenceOf } from './_cadence.js';
import { idleBetween, type Shot, type Stream } from './_order.js';
import type { RoleFound } from './_roles.js';
import {
  BRACKET_FACTOR,
  knownSettings,
  sameSettings,
  sameSettingsButShutter,
  sameShutter,
} from './_settings.js';

/** Shots that belong together by role, settings and time; framing is looked at next. */
export interface Run {
  readonly shots: readonly Shot[];
  readonly role: RoleFound['role'];
  readonly bracketed: boolean;
}

/** Gaps above the larger of these break a sequence. */
const LEAST_GAP = 300;
const GAP_CADENCES = 10;
/** Shots of one bracket follow each other within this, s from end to start. */
const BRACKET_GAP = 60;

export interface RunOptions {
  readonly roleOf: (shot: Shot) => RoleFound;
  readonly nightOf: (startMs: number) => string;
}

/** Cuts a stream into runs: by night, role, settings and gaps; brackets and alternating settings are put together. */
export function runsOf(stream: Stream, options: RunOptions): Run[] {
  const runs: Run[] = [];
  const [rest, aside] = withoutChosen(stream.shots, options);
  const parts = [rest, aside].flatMap((shots) => cutWhere(shots, (a, b) => isBorder(a, b, options)));
  for (const part of parts) {
    const role = options.roleOf(part[0]!).role;
    if (role === 'other' || role === 'test')
      runs.push(...cutByGap(part).flatMap((piece) => bySettings(piece, role)));
    else runs.push(...cutByGap(part).flatMap((piece) => ofOnePart(piece, role)));
  }
  if (aside.length === 0) return runs;
  const places = new Map(stream.shots.map((shot, i) => [shot, i] as const));
  return runs.sort((a, b) => places.get(a.shots[0]!)! - places.get(b.shots[0]!)!);
}

/**
 * Takes the shots out that a person gave another role than that of the run they stand in: a frame called a test
 * afterwards does not cut its run in two.
 */
function withoutChosen(
  shots: readonly Shot[],
  { roleOf }: RunOptions,
): readonly [rest: readonly Shot[], aside: readonly Shot[]] {
  if (!shots.some((shot) => shot.frame.chosenRole)) return [shots, []];
  const own = shots.map((shot) => (shot.frame.chosenRole ? undefined : roleOf(shot).role));
  const rest: Shot[] = [];
  const aside: Shot[] = [];
  const after: (string | undefined)[] = [];
  for (let i = shots.length - 1, next: string | undefined; i >= 0; i--) {
    next = own[i] ?? next;
    after[i] = next;
  }
  let before: string | undefined;
  for (const [i, shot] of shots.entries()) {
    before = own[i] ?? before;
    const within = before !== undefined && before === after[i];
    (own[i] === undefined && within && roleOf(shot).role !== before ? aside : rest).push(shot);
  }
  return [rest, aside];
}

/** Frames that never share a sequence, whatever their settings: another night or another role. */
function isBorder(a: Shot, b: Shot, { roleOf, nightOf }: RunOptions): boolean {
  if (roleOf(a).role !== roleOf(b).role) return true;
  if (a.startMs !== undefined && b.startMs !== undefined) return nightOf(a.startMs) !== nightOf(b.startMs);
  return false;
}

/** Cuts a list between neighbours for which `breaks` says so. */
export function cutWhere<T>(list: readonly T[], breaks: (a: T, b: T) => boolean): T[][] {
  const parts: T[][] = [];
  list.forEach((item, i) => {
    if (i === 0 || breaks(list[i - 1]!, item)) parts.push([item]);
    else parts.at(-1)!.push(item);
  });
  return parts;
}

/** Cuts at gaps above max(5 min, 10 x cadence); the cadence is the larger of those before and after the gap. */
function cutByGap(shots: readonly Shot[]): Shot[][] {
  const parts: Shot[][] = [];
  shots.forEach((shot, i) => {
    const previous = shots[i - 1];
    const idle = previous ? idleBetween(previous, shot) : 0;
    // Most intervals are short: the cadence is worked out only where it matters.
    const gap =
      idle > LEAST_GAP &&
      idle > GAP_CADENCES * Math.max(cadenceBefore(parts.at(-1)!), cadenceBefore(after(shots, i)));
    if (!previous || gap) parts.push([shot]);
    else parts.at(-1)!.push(shot);
  });
  return parts;
}

/** Cadence of the last few shots of a list, s; a lone shot is taken to be its own shutter and two seconds. */
function cadenceBefore(shots: readonly Shot[]): number {
  const last = shots.slice(-6);
  const alike = last.filter((shot) => sameSettings(shot.frame.header, shots.at(-1)!.frame.header));
  return (
    (alike.length >= 3 ? cadenceOf(alike) : undefined) ?? (shots.at(-1)!.frame.header.exposureTime ?? 0) + 2
  );
}

/** The next shots of like settings, backwards, so that the nearest comes last. */
function after(shots: readonly Shot[], from: number): Shot[] {
  return shots.slice(from, from + 6).reverse();
}

/** Splits at each change of settings. */
function bySettings(shots: readonly Shot[], role: Run['role']): Run[] {
  return atomsOf(shots).map((atom) => ({ shots: atom, role, bracketed: false }));
}

/** Consecutive shots of the same settings. */
function atomsOf(shots: readonly Shot[], same = sameSettings): Shot[][] {
  const atoms: Shot[][] = [];
  let known: Shot['frame']['header'] | undefined;
  for (const shot of shots) {
    if (known && same(known, shot.frame.header)) {
      atoms.at(-1)!.push(shot);
      known = knownSettings(known, shot.frame.header);
    } else {
      atoms.push([shot]);
      known = shot.frame.header;
    }
  }
  return atoms;
}

function ofOnePart(shots: readonly Shot[], role: Run['role']): Run[] {
  return unmix(shots).flatMap((part) => {
    const runs: Run[] = [];
    for (const group of atomsOf(part, sameSettingsButShutter)) {
      let plain: Shot[] = [];
      const flush = () => {
        runs.push(...bySettings(plain, role));
        plain = [];
      };
      for (const burst of cutWhere(group, (a, b) => idleBetween(a, b) > BRACKET_GAP)) {
        for (const piece of bracketsIn(burst, role === 'light')) {
          if (piece.bracketed) {
            flush();
            runs.push({ ...piece, role });
          } else plain.push(...piece.shots);
        }
      }
      flush();
    }
    return runs;
  });
}

/** Rounds of settings that take turns have this many kinds at most. */
const MOST_TURNS = 4;

/**
 * Two to four settings that take turns, round after round (a short and a long exposure, over and over), are
 * as many runs side by side, unless they are a bracket. What is shot before and after stays in one piece.
 */
function unmix(shots: readonly Shot[]): Shot[][] {
  const atoms = atomsOf(shots);
  const parts: Shot[][] = [];
  let plain: Shot[] = [];
  for (let from = 0; from < atoms.length; ) {
    const { turns, to } = turnsFrom(atoms, from);
    const firsts = atoms.slice(from, from + turns).map((atom) => atom[0]!);
    if (turns === 0 || isBracket(firsts)) {
      plain.push(...atoms.slice(from, Math.max(to, from + 1)).flat());
    } else {
      if (plain.length > 0) parts.push(plain);
      plain = [];
      for (let k = 0; k < turns; k++)
        parts.push(atoms.slice(from, to).flatMap((atom, i) => (i % turns === k ? atom : [])));
    }
    from = Math.max(to, from + 1);
  }
  if (plain.length > 0) parts.push(plain);
  return parts;
}

/** The longest stretch of atoms from a place in which settings take turns, and in how many kinds; 0 when they do not. */
function turnsFrom(atoms: readonly Shot[][], from: number): { readonly turns: number; readonly to: number } {
  const same = (i: number, j: number) => sameSettings(atoms[i]![0]!.frame.header, atoms[j]![0]!.frame.header);
  let best = { turns: 0, to: from };
  for (let turns = 2; turns <= MOST_TURNS; turns++) {
    let to = from + turns;
    while (to < atoms.length && atoms[to]!.length <= 2 && same(to, to - turns)) to++;
    const short = atoms.slice(from, from + turns).every((atom) => atom.length <= 2);
    if (short && to - from >= 2 * turns + 2 && to > best.to) best = { turns, to };
  }
  return best;
}

/** Shots whose settings differ by the shutter alone, and by no more than a bracket's factor. */
function isBracket(shots: readonly Shot[]): boolean {
  const shutters = shots.map((shot) => shot.frame.header.exposureTime ?? Number.NaN);
  const longest = Math.max(...shutters);
  const shortest = Math.min(...shutters);
  if (!(longest <= BRACKET_FACTOR * 1.02 * shortest)) return false;
  return shots.every((shot) => sameSettingsButShutter(shots[0]!.frame.header, shot.frame.header));
}

/** Finds the brackets of a burst: neighbouring shutters that change from shot to shot, at most twice the same in a row. */
function bracketsIn(
  burst: readonly Shot[],
  wanted: boolean,
): { readonly shots: readonly Shot[]; readonly bracketed: boolean }[] {
  const atoms = atomsOf(burst, sameShutter);
  if (!wanted || atoms.length < 2) return [{ shots: burst, bracketed: false }];
  const pieces: { shots: Shot[]; bracketed: boolean }[] = [];
  let chain: Shot[][] = [];
  const flush = () => {
    if (chain.length === 0) return;
    const whole = chain.length === atoms.length;
    // Beside a longer run a bracket must show three rungs; two lone settings there are tests.
    const bracketed = chain.length >= (whole ? 2 : 3);
    pieces.push({ shots: chain.flat(), bracketed });
    chain = [];
  };
  for (const atom of atoms) {
    const fits = atom.length <= 2 && isBracket([...chain.flat(), ...atom]);
    if (!fits) flush();
    if (atom.length <= 2) chain.push(atom);
    else pieces.push({ shots: atom, bracketed: false });
  }
  flush();
  return pieces;
}

/** Typical shutter of a run, s; NaN when unknown. */
export function shutterOf(shots: readonly Shot[]): number {
  return median(shots.map((shot) => shot.frame.header.exposureTime ?? Number.NaN));
}
