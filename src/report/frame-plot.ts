import { line } from 'd3-shape';
import type { PlanFacts } from '../sky/index.js';
import { html, Markup } from './_html.js';

type Arch = NonNullable<PlanFacts['arch']>;
type ArchPoint = Arch['atStart'][number];

/** Long side of a drawn frame, px. */
const SIDE = 150;

/** Points this far apart in galactic longitude, deg, belong to two stretches of the band. */
const STEP = 5;

/** Where the Milky Way's middle line lies in the frame at one end of the window; the dot is the galactic center. */
export function framePlot(
  points: readonly ArchPoint[],
  { aspect, title }: { readonly aspect: number; readonly title: string },
): Markup {
  const [width, height] = aspect >= 1 ? [SIDE, SIDE / aspect] : [SIDE * aspect, SIDE];
  const at = (value: number) => value.toFixed(1);
  const path = line<ArchPoint>()
    .x(({ x }) => Number(at(x * width)))
    .y(({ y }) => Number(at(y * height)));
  const stretches: ArchPoint[][] = [];
  for (const point of points) {
    const last = stretches.at(-1)?.at(-1);
    if (last && point.galacticLongitude - last.galacticLongitude <= STEP) stretches.at(-1)!.push(point);
    else stretches.push([point]);
  }
  const parts = stretches.map((stretch) => `<path class="band" d="${path(stretch) ?? ''}"/>`);
  const center = points.find(({ galacticLongitude }) => galacticLongitude === 0);
  if (center)
    parts.push(
      `<circle class="core" cx="${at(center.x * width)}" cy="${at(center.y * height)}" r="4"><title>galactic center</title></circle>`,
    );
  const said = points.length === 0 ? ': the Milky Way is outside the frame' : '';
  if (points.length === 0)
    parts.push(
      `<text class="tick" x="${at(width / 2)}" y="${at(height / 2)}" text-anchor="middle">outside the frame</text>`,
    );
  return html`<figure class="plot view"><svg viewBox="-1 -19 ${at(width + 2)} ${at(height + 21)}" role="img" aria-label="${title}${said}">
<text class="title" x="0" y="-6">${title}</text>
<rect class="horizon" x="0" y="0" width="${at(width)}" height="${at(height)}"/>
${new Markup(parts.join('\n'))}</svg></figure>`;
}
