import { many, median } from '../core/index.js';
import { clock, duration, fixed, known, sound } from './_format.js';
import { shortLines } from './transients.js';
import type { ReportData, ReportFrame, ReportRun, ReportStack, ReportTransient } from './types.js';

/** How the lights of a night were judged. */
export interface Tally {
  readonly lights: number;
  readonly kept: number;
  readonly doubtful: number;
  readonly dropped: number;
}

/** Counts verdicts over all runs. */
export function tally(data: ReportData): Tally {
  const frames = data.runs.flatMap((run) => run.frames);
  const count = (verdict: string) => frames.filter((frame) => frame.verdict === verdict).length;
  return { lights: frames.length, kept: count('keep'), doubtful: count('doubt'), dropped: count('drop') };
}

/** The run with most lights: what the night was for. */
export function mainRun(data: ReportData): ReportRun | undefined {
  return [...data.runs].sort((a, b) => b.frames.length - a.frames.length)[0];
}

/** Consecutive frames that share a reason. */
export interface Spell {
  readonly code: string;
  readonly frames: readonly ReportFrame[];
  readonly worst: ReportFrame;
}

/** Stretches of frames with the same reason, in time order; one good frame between two bad ones does not end a spell. */
export function spells(run: ReportRun): Spell[] {
  const codes = [...new Set(run.frames.flatMap((frame) => frame.reasons.map((reason) => reason.code)))];
  const found: { spell: Spell; at: number }[] = [];
  for (const code of codes) {
    let current: ReportFrame[] = [];
    let first = 0;
    let gap = 0;
    const close = () => {
      if (current.length > 0) {
        const worst = current.reduce((a, b) => (severity(b, code) > severity(a, code) ? b : a));
        found.push({ spell: { code, frames: current, worst }, at: first });
      }
      current = [];
    };
    run.frames.forEach((frame, i) => {
      if (frame.reasons.some((reason) => reason.code === code)) {
        if (current.length === 0) first = i;
        current.push(frame);
        gap = 0;
      } else if (current.length > 0 && ++gap > 1) {
        close();
      }
    });
    close();
  }
  return found.sort((a, b) => a.at - b.at).map(({ spell }) => spell);
}

/** How far beyond its limit a frame's reason lies, dropped frames first. */
function severity(frame: ReportFrame, code: string): number {
  const reason = frame.reasons.find((item) => item.code === code);
  const beyond =
    reason && Number.isFinite(reason.value) && (reason.value ?? 0) > 0 && (reason.limit ?? 0) > 0
      ? Math.abs(Math.log(reason.value! / reason.limit!))
      : 0;
  return (frame.verdict === 'drop' ? 1000 : 0) + beyond;
}

/** The worst of a spell in words that do not repeat what happened. */
function worstWords({ code, worst }: Spell): string {
  const reason = worst.reasons.find((item) => item.code === code);
  if (typeof reason?.value !== 'number') return reason ? sound(reason.text, '') : '';
  const { value } = reason;
  if (code === 'cloud') return `At worst ${fixed(100 * value, 0)} % of the stars’ light came through.`;
  if (code === 'shaken') return `Stars are smeared by ${fixed(value, 1)} px in a way the sky does not move.`;
  if (code === 'soft')
    return `Stars are up to ${fixed(100 * (value - 1), 0)} % wider than in the best frames.`;
  return sound(reason.text, '');
}

const SPELL_WORDS: Readonly<Record<string, string>> = {
  cloud: 'Cloud passed',
  shaken: 'The camera shook',
  trailed: 'Stars trailed more than the sky explains',
  soft: 'Focus went soft',
  dew: 'Dew settled on the lens',
  glare: 'Stray light fell in',
  twilight: 'Twilight brightened the sky',
  moved: 'The framing jumped',
  moon: 'Moonlight brightened the sky',
  'few-stars': 'Too few stars came through',
  unreadable: 'A frame could not be read',
};

/** A spell as one sentence with time, frames and the worst value. */
export function spellSentence(spell: Spell, zone: string): string {
  const first = spell.frames[0]!;
  const last = spell.frames.at(-1)!;
  const from = clock(first.takenAt, zone, true);
  const when =
    first.takenAt === undefined
      ? ''
      : first === last
        ? ` at ${from}`
        : ` from ${from} to ${clock(last.takenAt, zone, true)}`;
  const dropped = spell.frames.filter((frame) => frame.verdict === 'drop').length;
  const doubted = spell.frames.filter((frame) => frame.verdict === 'doubt').length;
  const cost = [
    dropped > 0 ? `${many(dropped, 'frame')} dropped` : '',
    doubted > 0 ? `${many(doubted, 'frame')} doubtful` : '',
  ]
    .filter((part) => part !== '')
    .join(', ');
  return `${SPELL_WORDS[spell.code] ?? spell.code}${when} (${cost || many(spell.frames.length, 'frame')}). ${worstWords(spell)}`.trim();
}

/** Where the camera was knocked: the first frame of each further segment. */
export function knocks(run: ReportRun): ReportFrame[] {
  const found: ReportFrame[] = [];
  let segment = run.frames.find((frame) => frame.segment !== undefined)?.segment;
  for (const frame of run.frames) {
    if (frame.segment === undefined || frame.segment === segment) continue;
    segment = frame.segment;
    found.push(frame);
  }
  return found;
}

/** How far the camera moved at a knock, px; NaN when the frame before is unknown. */
export function knockSize(run: ReportRun, knocked: ReportFrame): number {
  const at = run.frames.indexOf(knocked);
  const before = run.frames.slice(0, at).findLast((frame) => frame.headMotion !== undefined);
  if (!before?.headMotion || !knocked.headMotion) return Number.NaN;
  return Math.hypot(knocked.headMotion.x - before.headMotion.x, knocked.headMotion.y - before.headMotion.y);
}

function knockSentence(run: ReportRun, frame: ReportFrame, zone: string): string {
  const size = knockSize(run, frame);
  const when = frame.takenAt === undefined ? '' : ` before ${clock(frame.takenAt, zone, true)}`;
  return `The tripod was knocked${when}${Number.isFinite(size) ? ` and the view moved by ${fixed(size, 0)} px` : ''} (${frame.name}): the sky stack spans it, the land comes from the longer part.`;
}

const TRANSIENT_WORDS: Readonly<Record<ReportTransient['kind'], string>> = {
  aircraft: 'An aircraft, probably, crossed the sky',
  satellite: 'A satellite, probably, crossed the sky',
  meteor: 'A meteor, perhaps, fell',
  line: 'A line of light crossed the sky',
};

/** What crossed the sky, as one sentence. */
export function transientSentence(transient: ReportTransient, zone: string): string {
  const when = transient.takenAt === undefined ? '' : ` at ${clock(transient.takenAt, zone, true)}`;
  return `${TRANSIENT_WORDS[transient.kind]}${when} (${transient.name}, ${fixed(transient.length, 0)} px long). ${transient.why}`;
}

/** Events of the run that spoiled no frame as such, as sentences. */
export function eventSentences(run: ReportRun, zone: string): string[] {
  const said = knocks(run).map((frame) => knockSentence(run, frame, zone));
  for (const hole of run.holes) {
    said.push(`A hole of ${duration(hole.length)} after ${hole.after}: ${hole.likelyCause}`);
  }
  if (run.defectCount !== undefined) {
    said.push(
      `${many(run.defectCount, 'pixel')} stood out in frame after frame while the stars moved on: hot or dead, repaired before aligning.`,
    );
  }
  if (run.inCameraDark !== undefined) {
    said.push(
      run.inCameraDark === 'sure'
        ? 'The camera took a dark of its own after each frame; half of the night went into it.'
        : 'The camera probably took a dark of its own after each frame: the pause is as long as the shutter.',
    );
  }
  const short = shortLines(run.frames);
  if (short !== undefined) said.push(short);
  return said;
}

/** Everything worth a line about a run, in the order of reading. */
export function runEvents(run: ReportRun, zone: string): string[] {
  const remarks = run.remarks.filter((remark) => !remark.startsWith('A straight line'));
  return [
    ...spells(run).map((spell) => spellSentence(spell, zone)),
    ...run.transients.map((transient) => transientSentence(transient, zone)),
    ...eventSentences(run, zone),
    ...run.notes,
    ...remarks,
  ];
}

/** Where the night was, ready to follow a noun; `site not named` reads differently from a name. */
export function atSite(data: ReportData): string {
  const { name } = data.session.site;
  return name === 'site not named' ? ' at a site not named' : ` at ${name}`;
}

/** The night in one sentence. */
export function headline(data: ReportData): string {
  const count = tally(data);
  const run = mainRun(data);
  if (!run || count.lights === 0) return 'No lights were found on this card.';
  const stack = run.stack;
  const used = count.kept + count.doubtful;
  const start = `${many(count.lights, 'light')}${atSite(data)}, ${used === count.lights ? 'all of them usable' : `${used} of them usable`}`;
  if (!stack) return `${start}; no stack was made.`;
  const noise =
    stack.noise && stack.framesUsed > 1
      ? `, with the noise brought down ${fixed(stack.noise.gain, 1)} times`
      : '';
  return `${start}, stacked to ${duration(stack.totalExposure)} of exposure${noise}.`;
}

/** The three things that mattered most, worst first. */
export function whatMattered(data: ReportData): string[] {
  const zone = data.session.site.zone;
  const lost: { cost: number; text: string }[] = [];
  for (const run of data.runs) {
    for (const spell of spells(run)) {
      const cost = spell.frames.reduce((sum, frame) => sum + (frame.verdict === 'drop' ? 1 : 0.4), 0);
      lost.push({ cost, text: spellSentence(spell, zone) });
    }
    for (const hole of run.holes) {
      const frames = run.cadence ? hole.length / run.cadence : 1;
      lost.push({
        cost: frames,
        text: `A hole of ${duration(hole.length)} after ${hole.after}: ${hole.likelyCause}`,
      });
    }
    for (const frame of knocks(run)) {
      lost.push({
        cost: 1.5,
        text: knockSentence(run, frame, zone),
      });
    }
    const trail = median(known(run.frames.map((frame) => frame.trailLength)));
    if (trail > 3) {
      lost.push({
        cost: run.frames.length * 0.3,
        text: `Stars trail ${fixed(trail, 1)} px in every frame at ${run.settings}.`,
      });
    }
  }
  if (data.unreadable.length > 0) {
    lost.push({
      cost: data.unreadable.length,
      text: `${many(data.unreadable.length, 'file')} on the card ${data.unreadable.length === 1 ? 'was' : 'were'} damaged: ${data.unreadable
        .slice(0, 3)
        .map((file) => file.name)
        .join(', ')}.`,
    });
  }
  return lost
    .sort((a, b) => b.cost - a.cost)
    .slice(0, 3)
    .map((item) => item.text);
}

/** What five more frames and twice as many would give, by the square root of their number. */
export function gainOfMore(
  stack: ReportStack,
): readonly { readonly frames: number; readonly gain: number }[] {
  const { noise, framesUsed } = stack;
  if (!noise || framesUsed < 2) return [];
  return [framesUsed + 5, framesUsed * 2].map((frames) => ({
    frames,
    gain: noise.gain * Math.sqrt(frames / framesUsed),
  }));
}
