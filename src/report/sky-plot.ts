import { line } from 'd3-shape';
import { html, Markup, shorten } from './_html.js';
import type { ChartPlace, ReportSky } from './types.js';

const RADIUS = 170;
const MARGIN = 22;
const SIZE = 2 * (RADIUS + MARGIN);

const at = (value: number): number => Math.round((RADIUS + MARGIN + value * RADIUS) * 10) / 10;

/** The whole sky as held overhead: stars, the Milky Way's middle line, the moon and the target. */
export function skyPlot(sky: ReportSky, options: { readonly title: string }): Markup {
  const path = line<ChartPlace>()
    .x(([x]) => at(x))
    .y(([, y]) => at(y));
  const parts: string[] = [];
  for (const [letter, x, y] of [
    ['N', 0, -1],
    ['S', 0, 1],
    ['E', -1, 0],
    ['W', 1, 0],
  ] as const) {
    parts.push(
      `<text class="tick" x="${at(x * 1.06)}" y="${at(y * 1.06) + 4}" text-anchor="middle">${letter}</text>`,
    );
  }
  for (const altitude of [30, 60]) {
    parts.push(
      `<circle class="grid ring" cx="${at(0)}" cy="${at(0)}" r="${Math.round((RADIUS * (90 - altitude)) / 90)}"/>`,
    );
  }
  for (const stretch of sky.arch) {
    const d = path(stretch);
    if (d) parts.push(`<path class="band" d="${d}"/>`);
  }
  for (const [x, y, magnitude] of sky.stars) {
    const r = Math.max(0.5, 2.6 - 0.5 * magnitude);
    parts.push(`<circle class="star" cx="${at(x)}" cy="${at(y)}" r="${r.toFixed(1)}"/>`);
  }
  if (sky.moon) {
    parts.push(
      `<circle class="moon" cx="${at(sky.moon[0])}" cy="${at(sky.moon[1])}" r="6"/>`,
      `<text class="spantext" x="${at(sky.moon[0]) + 9}" y="${at(sky.moon[1]) + 4}">moon</text>`,
    );
  }
  if (sky.target) {
    const [x, y] = sky.target.place;
    const left = x > 0.35;
    parts.push(
      `<circle class="target" cx="${at(x)}" cy="${at(y)}" r="9"/>`,
      html`<text class="spantext strong" x="${at(x) + (left ? -15 : 15)}" y="${at(y) + 4}" text-anchor="${left ? 'end' : 'start'}">${shorten(sky.target.name, 40)}</text>`
        .text,
    );
  }
  const said = sky.target ? `, with the ${shorten(sky.target.name, 40)} marked` : '';
  return html`<figure class="plot sky"><svg viewBox="0 0 ${SIZE} ${SIZE + 16}" role="img" aria-label="${options.title}${said}">
<text class="title" x="0" y="12">${options.title}</text>
<g transform="translate(0 14)"><circle class="horizon" cx="${at(0)}" cy="${at(0)}" r="${RADIUS}"/>
${new Markup(parts.join('\n'))}</g></svg></figure>`;
}
