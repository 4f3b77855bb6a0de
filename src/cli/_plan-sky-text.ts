import { compass } from '../core/index.js';
import type { PlanView } from '../workflow/index.js';
import { table } from './_table.js';

type PlanFacts = PlanView['facts'];
type Arch = NonNullable<PlanFacts['arch']>;

/** Where the target stands, every full hour while the sun is down, or every 10 minutes. */
export function altitudeText(
  { target, darkness }: PlanFacts,
  { zone, every }: { readonly zone: string; readonly every: boolean },
): string {
  const clock = new Intl.DateTimeFormat('en-GB', {
    timeZone: zone,
    hour: '2-digit',
    minute: '2-digit',
    hourCycle: 'h23',
  });
  const rows = target.altitudes
    .map((row) => ({ ...row, wall: clock.format(new Date(row.time)) }))
    .filter(({ altitude, wall }) => altitude > 0 && (every || Number(wall.slice(3)) < 10));
  if (rows.length === 0) return `The ${target.name} is below the horizon all night.`;
  const isDark = (time: string) =>
    darkness.dusk !== undefined &&
    darkness.dawn !== undefined &&
    time >= darkness.dusk &&
    time <= darkness.dawn;
  return table(
    ['at', 'altitude', 'azimuth', 'air mass', 'by the moon', ''],
    rows.map((row) => [
      row.wall,
      `${row.apparentAltitude.toFixed(0)} deg`.padStart(8),
      `${row.azimuth.toFixed(0).padStart(3)} deg ${compass(row.azimuth)}`,
      (row.airmass?.toFixed(1) ?? '').padStart(8),
      row.moonBrightening === undefined || row.moonBrightening < 0.05
        ? ''
        : `${row.moonBrightening.toFixed(1)} mag brighter`,
      isDark(row.time) ? '' : 'not dark',
    ]),
  );
}

/** A place in the frame, 0..1 each way from the top left, in words. */
function placeName({ x, y }: { readonly x: number; readonly y: number }): string {
  const across = x < 1 / 3 ? 'left' : x > 2 / 3 ? 'right' : '';
  const along = y < 1 / 3 ? 'top' : y > 2 / 3 ? 'bottom' : '';
  if (across === '' && along === '') return 'the middle';
  return `the ${[along, across].filter((word) => word !== '').join(' ')}`;
}

/** Where the Milky Way lies in the frame at both ends of the window. */
export function archText(arch: Arch, at: (instant: string) => string): string {
  const way = (points: Arch['atStart']) => {
    const [first, last] = [points[0], points.at(-1)];
    if (!first || !last) return 'the Milky Way is outside the frame';
    const [from, to] = first.x <= last.x ? [first, last] : [last, first];
    const [a, b] = [placeName(from), placeName(to)];
    return a === b ? `the Milky Way only touches ${a}` : `the Milky Way runs from ${a} to ${b}`;
  };
  const { aim } = arch;
  return `a frame aimed at the target in mid-window looks ${compass(aim.azimuth)} (${aim.azimuth.toFixed(0)} deg), ${aim.altitude.toFixed(0)} deg up; at ${at(arch.start)} ${way(arch.atStart)}, at ${at(arch.end)} ${way(arch.atEnd)}`;
}
