import type { SessionView } from '../workflow/index.js';
import { fileName, wallClock } from './_night-text.js';
import { table } from './_table.js';

type Sequence = SessionView['sequences'][number];
type Frame = Sequence['frames'][number];

/** Columns of a plot: with name and range it fits a terminal of 80. */
const COLUMNS = 46;

const HEIGHTS = '▁▂▃▄▅▆▇█';
const VERDICTS: Readonly<Record<string, string>> = { keep: '·', doubt: 'o', drop: 'x', none: ' ' };
const GRAVITY = ['none', 'keep', 'doubt', 'drop'];

/** What is drawn of a run: a name, a value of each frame, how it is told, and where the plot begins and ends. */
interface Curve {
  readonly name: string;
  readonly of: (frame: Frame) => number | undefined;
  readonly digits: number;
  readonly unit: string;
  /** The worse end of the values. */
  readonly worse: 'low' | 'high';
  /** Bottom and top of the plot, so that scatter which matters to nobody looks flat. */
  readonly range: (least: number, most: number) => readonly [number, number];
}

const CURVES: readonly Curve[] = [
  {
    name: 'starlight',
    of: ({ transparency }) => (transparency === undefined ? undefined : 100 * transparency),
    digits: 0,
    unit: '%',
    worse: 'low',
    range: (_, most) => [0, Math.max(100, most)],
  },
  {
    name: 'at the target',
    of: ({ targetTransparency }) => (targetTransparency === undefined ? undefined : 100 * targetTransparency),
    digits: 0,
    unit: '%',
    worse: 'low',
    range: (_, most) => [0, Math.max(100, most)],
  },
  {
    name: 'star width',
    of: ({ fwhm }) => fwhm,
    digits: 1,
    unit: 'px',
    worse: 'high',
    range: (least, most) => [0.8 * least, Math.max(1.6 * least, most)],
  },
  {
    name: 'trail',
    of: ({ trailLength }) => trailLength,
    digits: 1,
    unit: 'px',
    worse: 'high',
    range: (_, most) => [0, Math.max(4, most)],
  },
  {
    name: 'sky level',
    of: ({ background }) => background,
    digits: 0,
    unit: 'ADU',
    worse: 'high',
    range: (least, most) => [0.8 * least, Math.max(1.6 * least, most)],
  },
];

/** Frames of each column, in order: one, or several where the run has more frames than the plot has room. */
function columnsOf(frames: readonly Frame[]): (readonly Frame[])[] {
  const each = Math.ceil(frames.length / COLUMNS);
  return Array.from({ length: Math.ceil(frames.length / each) }, (_, c) =>
    frames.slice(c * each, (c + 1) * each),
  );
}

const known = (values: readonly (number | undefined)[]): number[] =>
  values.filter((value): value is number => value !== undefined && Number.isFinite(value));

function drawn(curve: Curve, frames: readonly Frame[]): string | undefined {
  const values = known(frames.map(curve.of));
  if (values.length === 0) return undefined;
  const [least, most] = [Math.min(...values), Math.max(...values)];
  const [bottom, top] = curve.range(least, most);
  const bars = columnsOf(frames).map((column) => {
    const own = known(column.map(curve.of));
    if (own.length === 0) return ' ';
    const value = curve.worse === 'low' ? Math.min(...own) : Math.max(...own);
    const step = Math.floor(((value - bottom) / (top - bottom)) * HEIGHTS.length);
    return HEIGHTS[Math.max(0, Math.min(HEIGHTS.length - 1, step))]!;
  });
  const told = `${least.toFixed(curve.digits)} to ${most.toFixed(curve.digits)} ${curve.unit}`;
  return `  ${curve.name.padEnd(13)}  ${told.padEnd(16)} ${bars.join('')}`;
}

const gravest = (frames: readonly Frame[]): string =>
  frames.reduce(
    (worst, { verdict }) => (GRAVITY.indexOf(verdict) > GRAVITY.indexOf(worst) ? verdict : worst),
    'none',
  );

/** A judged run drawn small: starlight, width, trail, sky and verdict along the night, for a terminal. */
export function runPlots(sequence: Sequence, zone: string | undefined): string {
  const { frames } = sequence;
  const columns = columnsOf(frames);
  const each = columns[0]?.length ?? 1;
  const verdicts = columns.map((column) => VERDICTS[gravest(column)] ?? ' ').join('');
  const [from, to] = [wallClock(frames[0]?.takenAt, zone), wallClock(frames.at(-1)?.takenAt, zone)];
  const gap = ' '.repeat(Math.max(1, columns.length - from.length - to.length));
  const legend = `  ${each === 1 ? 'A column is a frame' : `A column is ${each} frames, the worst of them`}. · keep, o doubt, x drop.`;
  return [
    sequence.id,
    ...CURVES.flatMap((curve) => drawn(curve, frames) ?? []),
    `  ${'verdict'.padEnd(13)}  ${''.padEnd(16)} ${verdicts}`,
    `${' '.repeat(34)}${from}${gap}${to}`,
    legend,
  ].join('\n');
}

/** Every frame of a run with what was measured of it, one row a frame. */
export function frameTable(sequence: Sequence, zone: string | undefined): string {
  const number = (value: number | undefined, digits: number) =>
    value === undefined || !Number.isFinite(value) ? undefined : value.toFixed(digits);
  const percent = (value: number | undefined) => number(value === undefined ? undefined : 100 * value, 0);
  const right = (cells: (string | undefined)[]) => cells.map((cell) => (cell ?? '').padStart(5));
  const head = ['light', 'cloud', 'width', 'trail', 'sky’s', 'level', 'stars'];
  return [
    table(
      ['at', 'frame', 'verdict', ...head.map((word) => word.padStart(5))],
      sequence.frames.map((frame) => [
        wallClock(frame.takenAt, zone),
        fileName(frame),
        frame.verdict,
        ...right([
          percent(frame.transparency),
          percent(frame.cloudCover),
          number(frame.fwhm, 2),
          number(frame.trailLength, 1),
          number(frame.predictedTrail, 1),
          number(frame.background, 0),
          frame.starCount === undefined ? undefined : String(frame.starCount),
        ]),
      ]),
    ),
    'light: % of starlight; cloud: % of the sky under it; width, trail and the trail',
    'that the turning sky makes: px; level of the sky: ADU.',
  ].join('\n');
}
