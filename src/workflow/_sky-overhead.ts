import type { ChartPlace, ReportSky } from '../report/index.js';
import { type Horizontal, onChart, type Position, parseTarget, skyChart, trackTarget } from '../sky/index.js';

/** Stars of the chart: what the bare eye finds at once. */
const CHART_MAGNITUDE = 4;

const shortNumber = (value: number): number => Math.round(value * 1000) / 1000;

function place(at: Horizontal): ChartPlace {
  const { x, y } = onChart(at);
  return [shortNumber(x), shortNumber(y)];
}

/** The sky overhead at an instant, drawn places rounded, with the target in it while it is up. */
export function skyOverhead(site: Position, targetText: string, instant: Date): ReportSky {
  const chart = skyChart(site, instant, { magnitude: CHART_MAGNITUDE });
  const { altitude, azimuth, magnitude, count } = chart.stars;
  // The band in stretches: it leaves the chart where it dips below the horizon.
  const arch: ChartPlace[][] = [];
  let before: number | undefined;
  for (const point of chart.arch) {
    if (before === undefined || point.galacticLongitude - before > 7.5) arch.push([]);
    arch.at(-1)!.push(place(point));
    before = point.galacticLongitude;
  }
  const target = targetIn(site, targetText, instant);
  return {
    at: instant.toISOString(),
    stars: Array.from({ length: count }, (_, i) => {
      const [x, y] = place({ altitude: altitude[i]!, azimuth: azimuth[i]! });
      return [x, y, shortNumber(magnitude[i]!)] as const;
    }),
    arch,
    ...(chart.moon ? { moon: place(chart.moon) } : {}),
    ...(target ? { target } : {}),
  };
}

function targetIn(site: Position, targetText: string, instant: Date): ReportSky['target'] {
  try {
    const target = parseTarget(targetText);
    const at = trackTarget(target, site, instant)(instant);
    return at.altitude > 0 ? { name: target.name, place: place(at) } : undefined;
  } catch {
    // A target that nobody understands has no place on the chart.
    return undefined;
  }
}
