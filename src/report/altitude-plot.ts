import { scaleLinear } from 'd3-scale';
import { line } from 'd3-shape';
import { html, Markup } from './_html.js';
import { round, timeLabels } from './plots.js';

/** Narrower than the plots of a run, since it stands beside the chart; px. */
const WIDTH = 440;
const LEFT = 30;
const RIGHT = 10;

/** Altitude of one body over the night, deg. */
export interface AltitudeLine {
  readonly name: string;
  /** `main`: strong; `other`: thin and dashed. */
  readonly weight: 'main' | 'other';
  readonly points: readonly { readonly time: number; readonly altitude: number }[];
}

/** A night from left to right: how high target and moon stand, when it is dark, when to shoot. */
export function altitudePlot(options: {
  readonly lines: readonly AltitudeLine[];
  /** Stretches of full darkness and of the window, ms. */
  readonly dark: readonly (readonly [number, number])[];
  readonly window: readonly (readonly [number, number])[];
  readonly domain: readonly [number, number];
  readonly zone: string;
}): Markup {
  const height = 220;
  const [top, bottom] = [20, 24];
  const x = scaleLinear()
    .domain([options.domain[0], Math.max(options.domain[1], options.domain[0] + 1000)])
    .range([LEFT, WIDTH - RIGHT])
    .clamp(true);
  const y = scaleLinear()
    .domain([0, 102])
    .range([height - bottom, top]);
  const parts: string[] = [];
  const band = (stretch: readonly [number, number], name: string) => {
    const [from, to] = [x(stretch[0]), x(stretch[1])];
    parts.push(
      `<rect class="${name}" x="${round(from)}" y="${top}" width="${round(Math.max(0, to - from))}" height="${height - top - bottom}"/>`,
    );
  };
  for (const stretch of options.dark) band(stretch, 'fill');
  for (const stretch of options.window) band(stretch, 'span');
  for (const tick of [0, 30, 60, 90]) {
    parts.push(
      `<line class="grid" x1="${LEFT}" x2="${WIDTH - RIGHT}" y1="${round(y(tick))}" y2="${round(y(tick))}"/>`,
      `<text class="tick" x="${LEFT - 6}" y="${round(y(tick) + 3.5)}" text-anchor="end">${tick}</text>`,
    );
  }
  for (const label of timeLabels(options.domain, options.zone, 5)) {
    parts.push(
      `<line class="grid" x1="${round(x(label.time))}" x2="${round(x(label.time))}" y1="${top}" y2="${height - bottom}"/>`,
      `<text class="tick" x="${round(x(label.time))}" y="${height - 7}" text-anchor="middle">${label.text}</text>`,
    );
  }
  for (const one of options.lines) {
    const path = line<AltitudeLine['points'][number]>()
      .defined(({ altitude }) => altitude >= 0)
      .x(({ time }) => round(x(time)))
      .y(({ altitude }) => round(y(altitude)))([...one.points]);
    const highest = [...one.points].sort((a, b) => b.altitude - a.altitude)[0];
    if (!path || !highest || highest.altitude < 0) continue;
    const at = x(highest.time);
    const anchor = at > WIDTH - 60 ? 'end' : at < LEFT + 50 ? 'start' : 'middle';
    parts.push(
      `<path class="path ${one.weight}" d="${path}"/>`,
      html`<text class="spantext strong" x="${round(at)}" y="${round(y(highest.altitude) - 7)}" text-anchor="${anchor}">${one.name}</text>`
        .text,
    );
  }
  return html`<figure class="plot"><svg viewBox="0 0 ${WIDTH} ${height}" role="img" aria-label="Altitude of target and moon through the night, in degrees">
<text class="title" x="${LEFT}" y="12">Altitude <tspan class="unit">(deg; grey: fully dark, tinted: the window)</tspan></text>
${new Markup(parts.join('\n'))}</svg></figure>`;
}
