import { scaleLinear, scaleUtc } from 'd3-scale';
import { area, line } from 'd3-shape';
import { fixed } from './_format.js';
import { html, Markup } from './_html.js';
import type { GridMap } from './types.js';

/** Marks of the three verdicts: told apart by shape as well as by colour. */
export type Mark = 'keep' | 'doubt' | 'drop' | 'plain';

/** One point of a time plot. */
export interface TimePoint {
  /** ms since 1970 */
  readonly time: number;
  readonly value: number;
  readonly mark?: Mark;
  /** Where a click leads, and what is said of the point. */
  readonly href?: string;
  readonly title?: string;
}

/** A span of time with a word for it: a hole, cloud, dew. */
export interface TimeSpan {
  readonly from: number;
  readonly to: number;
  readonly text: string;
}

export interface TimePlotOptions {
  readonly title: string;
  /** Unit at the axis. */
  readonly unit: string;
  readonly points: readonly TimePoint[];
  /** A smooth line behind the points, such as the predicted trail. */
  readonly expected?: readonly { readonly time: number; readonly value: number }[];
  readonly expectedName?: string;
  readonly limit?: { readonly value: number; readonly text: string };
  readonly spans?: readonly TimeSpan[];
  readonly domain: readonly [number, number];
  readonly zone: string;
  readonly from?: number;
  readonly to?: number;
  /** Least span of the axis, in its unit, so that a steady night looks steady. */
  readonly least?: number;
  readonly height?: number;
}

/** Width of a plot and the margins beside its axis, px; all plots of a run share them. */
export const WIDTH = 760;
export const LEFT = 64;
export const RIGHT = 12;

/** One decimal is enough for a place on a plot. */
export const round = (value: number): number => Math.round(value * 10) / 10;

/** The mark of a verdict at a place: a dot, a diamond, a cross. */
export function shape(mark: Mark, x: number, y: number): string {
  const [px, py] = [round(x), round(y)];
  if (mark === 'drop') {
    return `<path class="m drop" d="M${round(px - 3.5)},${round(py - 3.5)}l7,7m0,-7l-7,7"/>`;
  }
  if (mark === 'doubt')
    return `<path class="m doubt" d="M${px},${round(py - 4.5)}l4.5,4.5l-4.5,4.5l-4.5,-4.5z"/>`;
  return `<circle class="m ${mark}" cx="${px}" cy="${py}" r="3"/>`;
}

/** About `count` round times of day within a stretch, as said in a zone. */
export function timeLabels(
  domain: readonly [number, number],
  zone: string,
  count = 7,
): { readonly time: number; readonly text: string }[] {
  const scale = scaleUtc().domain([new Date(domain[0]), new Date(domain[1])]);
  const ticks = scale.ticks(count);
  // In a run of a few minutes the marks stand closer than a minute.
  const close = ticks.some((tick) => tick.getTime() % 60_000 !== 0);
  const format = new Intl.DateTimeFormat('en-GB', {
    timeZone: zone,
    hour: '2-digit',
    minute: '2-digit',
    ...(close ? { second: '2-digit' } : {}),
    hourCycle: 'h23',
  });
  return ticks.map((tick) => ({ time: tick.getTime(), text: format.format(tick) }));
}

/** A quantity over the night: points with their verdict, an expected line, a limit, and spans with a word. */
export function timePlot(options: TimePlotOptions): Markup {
  const height = options.height ?? 130;
  const top = 20;
  const bottom = 22;
  const values = options.points.map((point) => point.value).filter(Number.isFinite);
  if (values.length === 0) return new Markup('');
  const all = [
    ...values,
    ...(options.expected ?? []).map((point) => point.value),
    ...(options.limit ? [options.limit.value] : []),
  ];
  const spare = Math.max(0, (options.least ?? 0) - (Math.max(...all) - Math.min(...all))) / 2;
  const low = options.from ?? Math.min(...all) - spare;
  const high = options.to ?? Math.max(...all) + spare;
  const pad = (high - low || Math.abs(high) || 1) * 0.08;
  const y = scaleLinear()
    .domain([options.from ?? low - pad, options.to ?? high + pad])
    .range([height - bottom, top])
    .nice(4);
  const x = scaleLinear()
    .domain([options.domain[0], Math.max(options.domain[1], options.domain[0] + 1000)])
    .range([LEFT, WIDTH - RIGHT]);
  const parts: string[] = [];
  for (const span of options.spans ?? []) {
    const from = Math.max(LEFT, x(span.from));
    const to = Math.min(WIDTH - RIGHT, x(span.to));
    if (to <= from) continue;
    parts.push(
      `<rect class="span" x="${round(from)}" y="${top}" width="${round(Math.max(2, to - from))}" height="${height - top - bottom}"/>`,
    );
  }
  for (const tick of y.ticks(4)) {
    parts.push(
      `<line class="grid" x1="${LEFT}" x2="${WIDTH - RIGHT}" y1="${round(y(tick))}" y2="${round(y(tick))}"/>`,
      `<text class="tick" x="${LEFT - 6}" y="${round(y(tick) + 3.5)}" text-anchor="end">${y.tickFormat(4)(tick)}</text>`,
    );
  }
  for (const label of timeLabels(options.domain, options.zone)) {
    parts.push(
      `<line class="grid" x1="${round(x(label.time))}" x2="${round(x(label.time))}" y1="${top}" y2="${height - bottom}"/>`,
      `<text class="tick" x="${round(x(label.time))}" y="${height - 7}" text-anchor="middle">${label.text}</text>`,
    );
  }
  if (options.limit) {
    const at = round(y(options.limit.value));
    parts.push(
      `<line class="limit" x1="${LEFT}" x2="${WIDTH - RIGHT}" y1="${at}" y2="${at}"/>`,
      html`<text class="spantext" x="${WIDTH - RIGHT - 4}" y="${at + 12}" text-anchor="end">${options.limit.text}</text>`
        .text,
    );
  }
  if (options.expected && options.expected.length > 1) {
    const path = line<{ readonly time: number; readonly value: number }>()
      .defined((point) => Number.isFinite(point.value))
      .x((point) => round(x(point.time)))
      .y((point) => round(y(point.value)))(options.expected);
    if (path) parts.push(`<path class="expected" d="${path}"/>`);
  }
  for (const point of options.points) {
    if (!Number.isFinite(point.value)) continue;
    const mark = shape(point.mark ?? 'plain', x(point.time), y(point.value));
    const title = point.title === undefined ? '' : html`<title>${point.title}</title>`.text;
    parts.push(
      point.href === undefined
        ? `<g>${title}${mark}</g>`
        : // The strip above holds the same links for the keyboard; once is enough.
          html`<a href="${point.href}" tabindex="-1">${new Markup(title)}${new Markup(mark)}</a>`.text,
    );
  }
  const name = options.expectedName === undefined ? '' : `; line: ${options.expectedName}`;
  return html`<figure class="plot"><svg viewBox="0 0 ${WIDTH} ${height}" role="group" aria-label="${options.title}, in ${options.unit}">
<text class="title" x="${LEFT}" y="12">${options.title} <tspan class="unit">(${options.unit})${name}</tspan></text>
${new Markup(parts.join('\n'))}</svg></figure>`;
}

/** The curve of noise against number of frames: theory, what was reached, and what more frames would give. */
export function noisePlot(options: {
  readonly frames: number;
  /** Gain of the stack, measured; ideal for its method. */
  readonly gain: number;
  readonly ideal: number;
  /** Larger numbers of frames and what they would give, in order. */
  readonly more: readonly { readonly frames: number; readonly gain: number }[];
}): Markup {
  const height = 220;
  const top = 20;
  const bottom = 34;
  const last = Math.max(8, options.frames * 2);
  const share = options.ideal / Math.sqrt(options.frames);
  const x = scaleLinear()
    .domain([1, last])
    .range([LEFT, WIDTH - RIGHT]);
  const y = scaleLinear()
    .domain([0, 1])
    .range([height - bottom, top]);
  const curve = Array.from({ length: 120 }, (_, i) => 1 + ((last - 1) * i) / 119);
  const noise = (n: number) => 1 / Math.max(1, share * Math.sqrt(n));
  const theory = line<number>()
    .x((n) => round(x(n)))
    .y((n) => round(y(noise(n))))(curve)!;
  const below = area<number>()
    .x((n) => round(x(n)))
    .y0(height - bottom)
    .y1((n) => round(y(noise(n))))(curve.filter((n) => n <= options.frames))!;
  const parts = [`<path class="fill" d="${below}"/>`];
  for (const tick of y.ticks(5)) {
    parts.push(
      `<line class="grid" x1="${LEFT}" x2="${WIDTH - RIGHT}" y1="${round(y(tick))}" y2="${round(y(tick))}"/>`,
      `<text class="tick" x="${LEFT - 6}" y="${round(y(tick) + 3.5)}" text-anchor="end">${Math.round(100 * tick)} %</text>`,
    );
  }
  for (const tick of x.ticks(8)) {
    parts.push(
      `<text class="tick" x="${round(x(tick))}" y="${height - 18}" text-anchor="middle">${tick}</text>`,
    );
  }
  parts.push(`<path class="expected" d="${theory}"/>`);
  const at = x(options.frames);
  const measured = y(1 / options.gain);
  parts.push(
    `<circle class="m keep" cx="${round(at)}" cy="${round(measured)}" r="5"/>`,
    `<text class="spantext strong" x="${round(at)}" y="${round(measured - 12)}" text-anchor="middle">${options.frames} frames: 1/${fixed(options.gain, 2)} of the noise</text>`,
  );
  options.more.forEach(({ frames: more, gain }, i) => {
    const place = y(1 / gain);
    const last = i === options.more.length - 1;
    const words = more === options.frames * 2 ? 'twice as many' : `${more - options.frames} more`;
    parts.push(
      `<circle class="m hope" cx="${round(x(more))}" cy="${round(place)}" r="4"/>`,
      `<text class="spantext" x="${round(last ? WIDTH - RIGHT : x(more))}" y="${round(last ? place - 12 : place + 18)}" text-anchor="${last ? 'end' : 'start'}">${words}: 1/${fixed(gain, 2)}</text>`,
    );
  });
  return html`<figure class="plot"><svg viewBox="0 0 ${WIDTH} ${height}" role="img" aria-label="Noise left against number of frames">
<text class="title" x="${LEFT}" y="12">Noise left <tspan class="unit">(share of one frame’s; line: theory, dot: measured, rings: what more frames would give)</tspan></text>
${new Markup(parts.join('\n'))}
<text class="tick" x="${(LEFT + WIDTH) / 2}" y="${height - 4}" text-anchor="middle">frames stacked</text></svg></figure>`;
}

/** A small grid of numbers over the frame, darker = more; the number is written in each cell. */
export function gridPlot(options: {
  readonly title: string;
  readonly unit: string;
  readonly map: GridMap;
  readonly aspect: number;
  /** Value that counts as full. */
  readonly full: number;
  readonly digits?: number;
}): Markup {
  const { map } = options;
  // An upright frame gets a narrower grid, so that it stays small.
  const width = options.aspect < 1 ? 260 : 360;
  const height = Math.round(width / options.aspect);
  const cellWidth = width / map.columns;
  const cellHeight = height / map.rows;
  const cells = map.values.map((value, i) => {
    const x = (i % map.columns) * cellWidth;
    const y = Math.floor(i / map.columns) * cellHeight + 20;
    if (value === null || !Number.isFinite(value)) {
      return `<rect class="cell none" x="${round(x)}" y="${round(y)}" width="${round(cellWidth)}" height="${round(cellHeight)}"/>`;
    }
    const strength = Math.min(1, Math.max(0, value / options.full));
    return (
      `<rect class="cell" style="fill-opacity:${(0.08 + 0.72 * strength).toFixed(2)}" x="${round(x)}" y="${round(y)}" width="${round(cellWidth)}" height="${round(cellHeight)}"/>` +
      `<text class="celltext${strength > 0.55 ? ' light' : ''}" x="${round(x + cellWidth / 2)}" y="${round(y + cellHeight / 2 + 4)}" text-anchor="middle">${value.toFixed(options.digits ?? 2)}</text>`
    );
  });
  return html`<figure class="plot small${options.aspect < 1 ? ' upright' : ''}"><svg viewBox="0 0 ${width} ${height + 22}" role="img" aria-label="${options.title}, in ${options.unit}, by part of the frame">
<text class="title" x="0" y="12">${options.title} <tspan class="unit">(${options.unit})</tspan></text>
${new Markup(cells.join('\n'))}</svg></figure>`;
}
