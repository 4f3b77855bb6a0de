import { many, median } from '../core/index.js';
import { duration, fixed, known } from './_format.js';
import { mainRun, tally } from './summary.js';
import type { CompareLine, ReportData, ReportFrame } from './types.js';

const UNKNOWN = 'unknown';

/** A night's longest run boiled down to one column of words. */
function column(data: ReportData): ReadonlyMap<string, string> {
  const run = mainRun(data);
  const count = tally(data);
  const usable = (run?.frames ?? []).filter((frame) => frame.verdict !== 'drop');
  const middle = (value: (frame: ReportFrame) => number | undefined): number =>
    median(known(usable.map(value)));
  const said = (value: number, digits: number, unit: string) =>
    Number.isFinite(value) ? `${fixed(value, digits)} ${unit}` : UNKNOWN;
  const heights = known(usable.map((frame) => frame.targetAltitude));
  const moons = known(usable.map((frame) => frame.moonAltitude));
  const moon = data.facts?.moon.illumination ?? data.plan?.facts?.moon.illumination;
  const noise = run?.stack?.noise;
  return new Map([
    ['Site', data.session.site.name],
    ['Camera and lens', [run?.camera, run?.lens].filter(Boolean).join(', ') || UNKNOWN],
    ['Settings', run?.settings ?? UNKNOWN],
    [
      'Frames',
      `${count.lights} shot, ${count.kept} kept, ${count.doubtful} doubtful, ${count.dropped} dropped`,
    ],
    ['Exposure in the stack', run?.stack ? duration(run.stack.totalExposure) : 'no stack'],
    [
      'Noise brought down',
      noise ? `${fixed(noise.gain, 2)} times (ideal ${fixed(noise.ideal, 2)})` : UNKNOWN,
    ],
    [
      'Star width, fwhm',
      said(
        middle((frame) => frame.fwhm),
        2,
        'px',
      ),
    ],
    [
      'Star width in the corners',
      said(
        middle((frame) => frame.fwhmCorners),
        2,
        'px',
      ),
    ],
    [
      'Trail',
      said(
        middle((frame) => frame.trailLength),
        1,
        'px',
      ),
    ],
    [
      'Stars found',
      said(
        middle((frame) => frame.starCount),
        0,
        'a frame',
      ),
    ],
    ['Light that came through', said(100 * middle((frame) => frame.transparency), 0, '% of the best')],
    [
      'Sky level',
      said(
        middle((frame) => frame.skyRate),
        1,
        'ADU/s',
      ),
    ],
    [
      'Sensor temperature',
      said(
        middle((frame) => frame.temperature),
        0,
        'deg C',
      ),
    ],
    ['Height of the target', said(median(heights), 0, 'deg')],
    [
      'Moon',
      moons.length === 0
        ? UNKNOWN
        : Math.max(...moons) <= 0
          ? 'below the horizon'
          : `up to ${fixed(Math.max(...moons), 0)} deg high${moon === undefined ? '' : `, ${Math.round(100 * moon)} % lit`}`,
    ],
    [
      'Aligned stars',
      run?.alignment?.rms !== undefined ? `within ${fixed(run.alignment.rms, 2)} px` : UNKNOWN,
    ],
    ['Holes', many(run?.holes.length ?? 0, 'hole')],
  ]);
}

/** Sets two nights side by side, line by line; what neither knows is left out. */
export function compareNights(here: ReportData, there: ReportData): CompareLine[] {
  const [a, b] = [column(here), column(there)];
  return [...a]
    .map(([what, value]) => ({ what, here: value, there: b.get(what) ?? UNKNOWN }))
    .filter((line) => line.here !== UNKNOWN || line.there !== UNKNOWN);
}
