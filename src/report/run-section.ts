import { many, median } from '../core/index.js';
import { clock, fixed, known, sound } from './_format.js';
import { html, type Markup, shorten } from './_html.js';
import { type Mark, type TimeSpan, timePlot } from './plots.js';
import { stackSection } from './stack-section.js';
import { knocks, spells, transientSentence } from './summary.js';
import { timeStrip } from './time-strip.js';
import type { ReportData, ReportFrame, ReportRun } from './types.js';

const VERDICT_WORDS: Readonly<Record<string, string>> = {
  keep: 'kept',
  doubt: 'doubtful',
  drop: 'dropped',
  none: 'not judged',
};

const anchor = (frame: ReportFrame): string => `f-${frame.id}`;

/** One run of lights: what happened, through the night, frame by frame, how it was stacked. */
export function runSection(
  data: ReportData,
  run: ReportRun,
  options: { readonly index: number; readonly events: readonly string[] },
): Markup {
  const { zone } = data.session.site;
  const name = data.runs.length === 1 ? 'The run' : `Run ${options.index + 1}`;
  const facts = [
    run.camera,
    run.lens,
    run.start && run.end ? `${clock(run.start, zone)} to ${clock(run.end, zone)} (${zone})` : undefined,
    run.cadence === undefined ? undefined : `a frame every ${fixed(run.cadence, 1)} s`,
  ].filter((part) => part !== undefined);
  return html`<section id="run-${options.index + 1}"><h2>${name}: ${many(run.frames.length, 'light')}, ${shorten(run.settings, 120)}</h2>
<p class="soft">${shorten(facts.join(' · '), 300)}</p>
${options.events.length > 0 ? html`<ul class="matters">${options.events.map((text) => html`<li>${shorten(text, 400)}</li>`)}</ul>` : html`<p>Nothing happened that is worth a line.</p>`}
${plots(run, { zone, name })}
${frameSheets(run, zone)}
${transients(run, zone)}
${stackSection(run, name)}
</section>`;
}

const timeOf = (frame: ReportFrame): number => Date.parse(frame.takenAt!);

/** What happened when, for the strip and for the shading of the plots. */
function spansOf(run: ReportRun, margin: number): TimeSpan[] {
  const spans: TimeSpan[] = [];
  for (const spell of spells(run)) {
    if (spell.frames.some((frame) => frame.takenAt === undefined)) continue;
    spans.push({
      from: timeOf(spell.frames[0]!) - margin / 2,
      to: timeOf(spell.frames.at(-1)!) + margin / 2,
      text: spell.code === 'few-stars' ? 'few stars' : spell.code,
    });
  }
  const instant = (frame: ReportFrame | undefined, text: string, offset = 0) => {
    if (frame?.takenAt === undefined) return;
    spans.push({ from: timeOf(frame) + offset, to: timeOf(frame) + offset + 1, text });
  };
  for (const frame of knocks(run)) instant(frame, 'knock', -margin / 2);
  for (const { frameId, kind } of run.transients) {
    instant(
      run.frames.find((frame) => frame.id === frameId),
      kind,
    );
  }
  for (const hole of run.holes) {
    const before = run.frames.find((frame) => frame.name === hole.after);
    if (before?.takenAt === undefined) continue;
    const from = timeOf(before) + 1000 * (run.cadence ?? 0);
    spans.push({ from: from - margin / 2, to: from - margin / 2 + 1000 * hole.length, text: 'hole' });
  }
  return spans;
}

function plots(
  run: ReportRun,
  { zone, name }: { readonly zone: string; readonly name: string },
): Markup | undefined {
  const timed = run.frames.filter((frame) => frame.takenAt !== undefined);
  if (timed.length < 3) return undefined;
  const domain = [timeOf(timed[0]!), timeOf(timed.at(-1)!)] as const;
  const margin = Math.max((domain[1] - domain[0]) * 0.02, 500 * (run.cadence ?? 1));
  const spans = spansOf(run, Math.min(margin, 1000 * (run.cadence ?? margin / 1000)));
  const dot = (frame: ReportFrame, value: string) => {
    const mark: Mark = frame.verdict === 'none' ? 'plain' : frame.verdict;
    return {
      time: timeOf(frame),
      mark,
      href: `#${anchor(frame)}`,
      title: `${shorten(frame.name, 60)}, ${clock(frame.takenAt, zone, true)}: ${value}${VERDICT_WORDS[frame.verdict]}`,
    };
  };
  const points = (value: (frame: ReportFrame) => number | undefined, digits: number, unit: string) =>
    timed.flatMap((frame) => {
      const found = value(frame);
      if (found === undefined || !Number.isFinite(found)) return [];
      return [{ ...dot(frame, `${fixed(found, digits)} ${unit}, `), value: found }];
    });
  const series = (value: (frame: ReportFrame) => number | undefined) =>
    timed.flatMap((frame) => {
      const found = value(frame);
      return found === undefined ? [] : [{ time: timeOf(frame), value: found }];
    });
  const shared = { domain: [domain[0] - margin, domain[1] + margin] as const, zone, spans };
  const moonUp = timed.some((frame) => (frame.moonAltitude ?? -90) > 0);
  return html`<h3>Through the night</h3>
<p class="soft">Dots are kept frames, diamonds doubtful, crosses dropped. Each leads to its frame. Shading repeats what happened.</p>
<section class="plots" tabindex="0" aria-label="${name}: plots over time">
${timeStrip({ spans, frames: timed.map((frame) => dot(frame, '')), domain: shared.domain, zone })}
${timePlot({ ...shared, title: 'Light that came through', unit: '% of the best', points: points((f) => (f.transparency === undefined ? undefined : f.transparency * 100), 0, '%'), from: 0, to: 110, limit: { value: 93, text: 'doubt below 93 %' } })}
${timePlot({ ...shared, title: 'Star width, fwhm', unit: 'px', points: points((f) => f.fwhm, 2, 'px'), least: 1 })}
${timePlot({ ...shared, title: 'Trail at the middle', unit: 'px', points: points((f) => f.trailLength, 2, 'px'), expected: series((f) => f.predictedTrail), expectedName: 'what the turning sky explains', from: 0 })}
${timePlot({ ...shared, title: 'Stars found', unit: 'count', points: points((f) => f.starCount, 0, 'stars'), from: 0 })}
${timePlot({ ...shared, title: 'Sky level', unit: 'ADU/s', points: points((f) => f.skyRate, 1, 'ADU/s'), least: 0.2 * median(known(timed.map((f) => f.skyRate))) })}
${timePlot({ ...shared, title: 'Sensor temperature', unit: 'deg C', points: points((f) => f.temperature, 0, 'deg C'), least: 4 })}
${timePlot({ ...shared, title: 'Height of the target', unit: 'deg', points: points((f) => f.targetAltitude, 1, 'deg'), least: 4, ...(moonUp ? { expected: series((f) => f.moonAltitude), expectedName: 'the moon' } : {}) })}
</section>`;
}

function card(frame: ReportFrame, zone: string, full: boolean): Markup {
  const verdict = VERDICT_WORDS[frame.verdict] ?? frame.verdict;
  const facts = [
    frame.fwhm === undefined ? undefined : `fwhm\u00a0${fixed(frame.fwhm, 2)}\u00a0px`,
    frame.transparency === undefined
      ? undefined
      : `${Math.round(100 * frame.transparency)}\u00a0%\u00a0light`,
    frame.trailLength === undefined ? undefined : `trail\u00a0${fixed(frame.trailLength, 1)}\u00a0px`,
  ].filter((fact) => fact !== undefined);
  const name = shorten(frame.name, 60);
  return html`<li id="${anchor(frame)}">${
    frame.thumbnail
      ? html`<img src="${frame.thumbnail}" alt="${name}, ${verdict}" loading="lazy">`
      : html`<p class="gap">no picture</p>`
  }${
    full && frame.stars
      ? html`<img class="stars" src="${frame.stars}" alt="Stars of ${name}: two from the top corners, one from the middle, two from the bottom corners" loading="lazy">`
      : undefined
  }<div><span class="mark ${frame.verdict}">${verdict}${frame.byPerson ? ', by you' : ''}</span> ${frame.file ? html`<a href="${frame.file}">${name}</a>` : name}<br>${frame.takenAt ? clock(frame.takenAt, zone, true) : 'no time'}${
    full
      ? html`<br>${frame.reasons.map((reason) => shorten(sound(reason.text, `${reason.code}, by how much is unknown.`), 240)).join(' ')}<br><span class="soft">${facts.join(' · ')}</span>`
      : undefined
  }</div></li>`;
}

function frameSheets(run: ReportRun, zone: string): Markup {
  const order = { drop: 0, doubt: 1, keep: 2, none: 3 } as const;
  const judged = run.frames
    .filter((frame) => frame.verdict === 'drop' || frame.verdict === 'doubt')
    .sort((a, b) => order[a.verdict] - order[b.verdict]);
  const rest = run.frames.filter((frame) => frame.verdict === 'keep' || frame.verdict === 'none');
  const sharpest = run.frames.find((frame) => frame.id === run.sharpest);
  return html`${
    judged.length > 0
      ? html`<h3>Doubtful and dropped frames</h3>
${
  sharpest?.stars
    ? html`<figure class="best"><img src="${sharpest.stars}" alt="Stars of the sharpest frame, ${shorten(sharpest.name, 60)}"><figcaption>For the eye: stars of the sharpest frame (${shorten(sharpest.name, 60)}) from the corners and the middle; each frame below shows the same places.</figcaption></figure>`
    : undefined
}<ul class="sheet">${judged.map((frame) => card(frame, zone, true))}</ul>`
      : undefined
  }
${rest.length > 0 ? html`<h3>${rest.every((frame) => frame.verdict === 'none') ? 'Frames, not judged yet' : 'Kept frames'}</h3><ul class="sheet keepers">${rest.map((frame) => card(frame, zone, false))}</ul>` : undefined}`;
}

function transients(run: ReportRun, zone: string): Markup | undefined {
  if (run.transients.length === 0) return undefined;
  return html`<h3>What crossed the sky</h3>
<p class="soft">No frame was dropped for these; in the stack their pixels are left out.</p>
<ul class="sheet">${run.transients.map(
    (transient) =>
      html`<li>${transient.picture ? html`<img src="${transient.picture}" alt="Cut-out of ${shorten(transient.name, 60)}: ${transient.kind}" loading="lazy">` : undefined}<div>${shorten(transientSentence(transient, zone), 300)}</div></li>`,
  )}</ul>`;
}
