import type { Grouping } from '../../src/nights/index.js';
import type { TrueNight } from './_night-generator.js';

/** How well a grouping found the truth of a night. */
export interface Score {
  readonly frames: number;
  readonly rolesRight: number;
  readonly lightsLost: readonly string[];
  /** Borders in truth and found, in truth only, found only. */
  readonly bordersRight: number;
  readonly bordersMissed: readonly string[];
  readonly bordersInvented: readonly string[];
  readonly wrongRoles: readonly string[];
}

/** Holds a grouping against the truth: roles frame by frame, borders between neighbours of one body. */
export function scoreNight(night: TrueNight, grouping: Grouping): Score {
  const roles = new Map(grouping.roles.map((found) => [found.id, found]));
  const sequenceOf = new Map<string, string>();
  grouping.sessions.forEach((session, s) => {
    session.sequences.forEach((sequence, q) => {
      for (const id of sequence.frameIds) sequenceOf.set(id, `${s}/${q}`);
    });
  });
  let rolesRight = 0;
  const wrongRoles: string[] = [];
  const lightsLost: string[] = [];
  for (const { frame, role, sequence } of night.frames) {
    const found = roles.get(frame.id)!;
    if (found.role === role) rolesRight++;
    else {
      const text = `${night.name}: ${frame.id} of ${sequence} is ${role}, found ${found.role} (${found.reason})`;
      wrongRoles.push(text);
      if (role === 'light') lightsLost.push(text);
    }
  }
  let bordersRight = 0;
  const bordersMissed: string[] = [];
  const bordersInvented: string[] = [];
  for (const body of new Set(night.frames.map((truth) => truth.body))) {
    const own = night.frames.filter((truth) => truth.body === body && truth.twinOf === undefined);
    for (let i = 1; i < own.length; i++) {
      const [a, b] = [own[i - 1]!, own[i]!];
      const real = a.sequence !== b.sequence;
      const found = sequenceOf.get(a.frame.id) !== sequenceOf.get(b.frame.id);
      const text = `${night.name}: ${a.frame.id} of ${a.sequence} | ${b.frame.id} of ${b.sequence}`;
      if (real && found) bordersRight++;
      else if (real) bordersMissed.push(text);
      else if (found) bordersInvented.push(text);
    }
  }
  return {
    frames: night.frames.length,
    rolesRight,
    lightsLost,
    bordersRight,
    bordersMissed,
    bordersInvented,
    wrongRoles,
  };
}
