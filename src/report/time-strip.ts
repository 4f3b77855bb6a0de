import { scaleLinear } from 'd3-scale';
import { html, Markup } from './_html.js';
import { LEFT, RIGHT, round, shape, type TimePoint, type TimeSpan, timeLabels, WIDTH } from './plots.js';

/** Width of a letter at the strip's type size, px: labels that would touch go to another lane. */
const LETTER = 5.9;
const LANE = 15;

/** Lays spans into lanes so that neither bars nor words overlap; returns the lane of each. */
export function lanes(spans: readonly { readonly left: number; readonly right: number }[]): number[] {
  const ends: number[] = [];
  return spans.map(({ left, right }) => {
    let lane = ends.findIndex((end) => end + 4 <= left);
    if (lane === -1) lane = ends.length;
    ends[lane] = right;
    return lane;
  });
}

/**
 * The night as a strip: what happened, in words with bars, and below it every frame with its verdict. It
 * carries the words for the plots under it, which share its time axis.
 */
export function timeStrip(options: {
  readonly spans: readonly TimeSpan[];
  readonly frames: readonly Omit<TimePoint, 'value'>[];
  readonly domain: readonly [number, number];
  readonly zone: string;
}): Markup {
  const x = scaleLinear()
    .domain([options.domain[0], Math.max(options.domain[1], options.domain[0] + 1000)])
    .range([LEFT, WIDTH - RIGHT]);
  const spans = [...options.spans]
    .sort((a, b) => a.from - b.from)
    .map((span) => {
      const from = Math.max(LEFT, x(span.from));
      const to = Math.max(from + 3, Math.min(WIDTH - RIGHT, x(span.to)));
      const text = span.text.length * LETTER;
      // A word that would leave the strip on the right stands before its bar.
      const before = to + 4 + text > WIDTH - RIGHT;
      return {
        ...span,
        from,
        to,
        before,
        left: before ? from - 4 - text : from,
        right: before ? to : to + 4 + text,
      };
    });
  const lane = lanes(spans);
  const top = 22;
  const below = top + LANE * (spans.length === 0 ? 0 : 1 + Math.max(...lane)) + 12;
  const height = below + 26;
  const parts: string[] = [];
  for (const label of timeLabels(options.domain, options.zone)) {
    parts.push(
      `<line class="grid" x1="${round(x(label.time))}" x2="${round(x(label.time))}" y1="${top}" y2="${below + 6}"/>`,
      `<text class="tick" x="${round(x(label.time))}" y="${height - 6}" text-anchor="middle">${label.text}</text>`,
    );
  }
  spans.forEach((span, i) => {
    const y = top + LANE * lane[i]!;
    parts.push(
      `<rect class="bar" x="${round(span.from)}" y="${y}" width="${round(span.to - span.from)}" height="10" rx="2"/>`,
      html`<text class="spantext" x="${round(span.before ? span.from - 4 : span.to + 4)}" y="${y + 9}" text-anchor="${span.before ? 'end' : 'start'}">${span.text}</text>`
        .text,
    );
  });
  for (const frame of options.frames) {
    const title = frame.title === undefined ? '' : html`<title>${frame.title}</title>`.text;
    const mark = shape(frame.mark ?? 'plain', x(frame.time), below);
    parts.push(
      frame.href === undefined
        ? `<g>${title}${mark}</g>`
        : html`<a href="${frame.href}">${new Markup(title)}${new Markup(mark)}</a>`.text,
    );
  }
  return html`<figure class="plot"><svg viewBox="0 0 ${WIDTH} ${height}" role="group" aria-label="What happened, and every frame with its verdict">
<text class="title" x="${LEFT}" y="12">What happened <tspan class="unit">(and every frame with its verdict)</tspan></text>
${new Markup(parts.join('\n'))}</svg></figure>`;
}
