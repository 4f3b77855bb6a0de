import { clock, duration, fixed, known, many, shutter } from './_format.js';
import { html, Markup, shorten } from './_html.js';
import { nextTime } from './advice.js';
import { planAndFact } from './plan-and-fact.js';
import { gridPlot, type Mark, noisePlot, type TimeSpan, timePlot } from './plots.js';
import { STYLE } from './style.js';
import {
  eventSentences,
  headline,
  knocks,
  mainRun,
  spellSentence,
  spells,
  tally,
  whatMattered,
} from './summary.js';
import type { ReportData, ReportFrame, ReportRun } from './types.js';

const VERDICT_WORDS: Readonly<Record<string, string>> = {
  keep: 'kept',
  doubt: 'doubtful',
  drop: 'dropped',
  none: 'not judged',
};

const nightDate = (night: string): string =>
  new Intl.DateTimeFormat('en-GB', { timeZone: 'UTC', dateStyle: 'long' }).format(
    new Date(`${night}T12:00:00Z`),
  );

/** The session report as one page that needs no script and no network; images lie beside it. */
export function reportPage(data: ReportData): string {
  const { session } = data;
  const title = `The night of ${nightDate(session.night)} at ${session.site.name}`;
  const page = html`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>${shorten(title, 120)}</title>
<style>${new Markup(STYLE)}</style>
</head>
<body>
<main>
${glance(data, title)}
${planSection(data)}
${data.runs.map((run, i) => runSection(data, run, i))}
${adviceSection(data)}
${otherSection(data)}
${footer(data)}
</main>
</body>
</html>
`;
  return page.text;
}

function glance(data: ReportData, title: string): Markup {
  const run = mainRun(data);
  const stack = run?.stack;
  const count = tally(data);
  const matters = whatMattered(data);
  const item = (value: string, words: string) => html`<li><b>${value}</b><span>${words}</span></li>`;
  return html`<header>
<h1>${shorten(title, 160)}</h1>
<p class="lead">${headline(data)}</p>
</header>
${
  stack?.picture
    ? html`<figure class="picture"><a href="${stack.picture}"><img src="${stack.picture}" alt="The finished picture: ${stack.framesUsed} frames of the sky stacked, with the land in front"></a><figcaption>${many(stack.framesUsed, 'frame')}, ${duration(stack.totalExposure)} of exposure, ${run?.settings ?? ''}.</figcaption></figure>`
    : undefined
}
<ul class="tallies">
${item(`${count.kept}`, 'kept')}
${item(`${count.doubtful}`, 'doubtful, stacked with less weight')}
${item(`${count.dropped}`, 'dropped')}
${stack ? item(duration(stack.totalExposure), 'of exposure in the stack') : undefined}
${stack?.noise ? item(`${fixed(stack.noise.gain, 2)} times`, `less noise than one frame (ideal ${fixed(stack.noise.ideal, 2)})`) : undefined}
${run?.alignment ? item(`${fixed(run.alignment.rms, 2)} px`, 'left between aligned stars') : undefined}
</ul>
${
  matters.length > 0
    ? html`<h3>What mattered</h3><ol class="matters">${matters.map((text) => html`<li>${shorten(text, 300)}</li>`)}</ol>`
    : html`<p>Nothing went wrong that is worth a line.</p>`
}
${data.remarks.map((remark) => html`<p class="soft">${shorten(remark, 300)}</p>`)}`;
}

function planSection(data: ReportData): Markup {
  const lines = planAndFact(data);
  return html`<section><h2>Plan and fact</h2>
${data.plan ? undefined : html`<p class="soft">No plan was written for this night; the facts stand alone. Write one before the next with “nightcairn plan new”.</p>`}
<div class="scroll" tabindex="0" role="region" aria-label="Plan and fact"><table><thead><tr><th scope="col">&nbsp;</th><th scope="col">planned</th><th scope="col">happened</th><th scope="col">what it meant</th></tr></thead><tbody>
${lines.map((line) => html`<tr><th scope="row">${line.what}</th><td>${shorten(line.planned)}</td><td>${shorten(line.happened)}</td><td>${shorten(line.meant, 300)}</td></tr>`)}
</tbody></table></div>
${data.plan?.notes ? html`<p class="soft">Note in the plan: ${shorten(data.plan.notes, 500)}</p>` : undefined}
</section>`;
}

const anchor = (frame: ReportFrame): string => `f-${frame.id}`;

function runSection(data: ReportData, run: ReportRun, index: number): Markup {
  const zone = data.session.site.zone;
  const name = data.runs.length === 1 ? 'The run' : `Run ${index + 1}`;
  const sentences = [
    ...spells(run).map((spell) => spellSentence(spell, zone)),
    ...eventSentences(run, zone),
    ...run.notes,
    ...run.remarks,
  ];
  return html`<section><h2>${name}: ${many(run.frames.length, 'light')}, ${run.settings}</h2>
<p class="soft">${[run.camera, run.lens, run.start && run.end ? `${clock(run.start, zone)} to ${clock(run.end, zone)} (${zone})` : undefined, run.cadence === undefined ? undefined : `a frame every ${fixed(run.cadence, 1)} s`].filter((part) => part !== undefined).join(' · ')}</p>
${sentences.length > 0 ? html`<ul class="matters">${sentences.map((text) => html`<li>${shorten(text, 400)}</li>`)}</ul>` : html`<p>Nothing happened that is worth a line.</p>`}
${plots(run, zone)}
${frameSheets(run, zone)}
${stackSection(run)}
</section>`;
}

function plots(run: ReportRun, zone: string): Markup | undefined {
  const timed = run.frames.filter((frame) => frame.takenAt !== undefined);
  if (timed.length < 3) return undefined;
  const time = (frame: ReportFrame) => Date.parse(frame.takenAt!);
  const domain = [time(timed[0]!), time(timed.at(-1)!)] as const;
  const margin = (domain[1] - domain[0]) * 0.02;
  const spans: TimeSpan[] = [
    ...spells(run)
      .filter((spell) => spell.frames.every((frame) => frame.takenAt !== undefined))
      .map((spell) => ({
        from: time(spell.frames[0]!) - margin / 2,
        to: time(spell.frames.at(-1)!) + margin / 2,
        text: spell.code,
      })),
    ...knocks(run)
      .filter((frame) => frame.takenAt !== undefined)
      .map((frame) => ({ from: time(frame) - margin / 2, to: time(frame) - margin / 2 + 1, text: 'knock' })),
  ];
  const points = (value: (frame: ReportFrame) => number | undefined, digits: number, unit: string) =>
    timed.flatMap((frame) => {
      const found = value(frame);
      if (found === undefined || !Number.isFinite(found)) return [];
      const mark: Mark = frame.verdict === 'none' ? 'plain' : frame.verdict;
      return [
        {
          time: time(frame),
          value: found,
          mark,
          href: `#${anchor(frame)}`,
          title: `${frame.name}, ${clock(frame.takenAt, zone, true)}: ${fixed(found, digits)} ${unit}, ${VERDICT_WORDS[frame.verdict]}`,
        },
      ];
    });
  const shared = { domain: [domain[0] - margin, domain[1] + margin] as const, zone, spans };
  const expected = timed.flatMap((frame) =>
    frame.predictedTrail === undefined ? [] : [{ time: time(frame), value: frame.predictedTrail }],
  );
  return html`<h3>Through the night</h3>
<p class="soft">Dots are kept frames, diamonds doubtful, crosses dropped. Each leads to its frame.</p>
${timePlot({ ...shared, title: 'Light that came through', unit: '% of the best', points: points((f) => (f.transparency === undefined ? undefined : f.transparency * 100), 0, '%'), from: 0, to: 110, limit: { value: 93, text: 'doubt below' } })}
${timePlot({ ...shared, title: 'Star width, fwhm', unit: 'px', points: points((f) => f.fwhm, 2, 'px') })}
${timePlot({ ...shared, title: 'Trail at the middle', unit: 'px', points: points((f) => f.trailLength, 2, 'px'), expected, expectedName: 'what the turning sky explains', from: 0 })}
${timePlot({ ...shared, title: 'Stars found', unit: 'count', points: points((f) => f.starCount, 0, 'stars'), from: 0 })}
${timePlot({ ...shared, title: 'Sky level', unit: 'ADU/s', points: points((f) => f.skyRate, 1, 'ADU/s') })}
${timePlot({ ...shared, title: 'Sensor temperature', unit: 'deg C', points: points((f) => f.temperature, 0, 'deg C') })}
${timePlot({ ...shared, title: 'Height of the target', unit: 'deg', points: points((f) => f.targetAltitude, 1, 'deg') })}`;
}

function card(frame: ReportFrame, zone: string, full: boolean): Markup {
  const facts = [
    frame.fwhm === undefined ? undefined : `fwhm ${fixed(frame.fwhm, 2)} px`,
    frame.transparency === undefined ? undefined : `${Math.round(100 * frame.transparency)} % light`,
    frame.trailLength === undefined ? undefined : `trail ${fixed(frame.trailLength, 1)} px`,
  ].filter((fact) => fact !== undefined);
  return html`<li id="${anchor(frame)}">${
    frame.thumbnail
      ? html`<img src="${frame.thumbnail}" alt="${shorten(frame.name, 60)}, ${VERDICT_WORDS[frame.verdict] ?? frame.verdict}" loading="lazy">`
      : undefined
  }<div><span class="mark ${frame.verdict}">${VERDICT_WORDS[frame.verdict] ?? frame.verdict}${frame.byPerson ? ', by you' : ''}</span> ${shorten(frame.name, 60)}<br>${frame.takenAt ? clock(frame.takenAt, zone, true) : 'no time'}${
    full
      ? html`<br>${frame.reasons.map((reason) => shorten(reason.text, 240)).join(' ')}<br><span class="soft">${facts.join(' · ')}</span>`
      : undefined
  }</div></li>`;
}

function frameSheets(run: ReportRun, zone: string): Markup {
  const order = { drop: 0, doubt: 1, keep: 2, none: 3 } as const;
  const judged = [...run.frames].filter((frame) => frame.verdict !== 'keep');
  judged.sort((a, b) => order[a.verdict] - order[b.verdict]);
  const keepers = run.frames.filter((frame) => frame.verdict === 'keep');
  return html`${
    judged.length > 0
      ? html`<h3>Doubtful and dropped frames</h3><ul class="sheet">${judged.map((frame) => card(frame, zone, true))}</ul>`
      : undefined
  }
${keepers.length > 0 ? html`<h3>Kept frames</h3><ul class="sheet keepers">${keepers.map((frame) => card(frame, zone, false))}</ul>` : undefined}`;
}

const METHOD_WORDS: Readonly<Record<string, string>> = {
  'clipped-mean': 'a mean that leaves out outliers',
  mean: 'a plain mean',
  median: 'a median',
};

function stackSection(run: ReportRun): Markup | undefined {
  const { stack, alignment } = run;
  if (!stack) return undefined;
  const map = (path: string | undefined, words: string) =>
    path
      ? html`<figure><img src="${path}" alt="${words}" loading="lazy"><figcaption>${words}</figcaption></figure>`
      : undefined;
  return html`<h3>How it was stacked</h3>
<p>${many(stack.framesUsed, 'frame')} went into ${METHOD_WORDS[stack.method] ?? stack.method}; the sky was aligned to the middle of the run, the land left where it stood.
${stack.mastersUsed.length > 0 ? ` Calibrated with ${stack.mastersUsed.join(', ')}.` : ' No darks were used: defects were found from the run itself, since they stay put while the stars move.'}
${stack.rejectedShare === undefined ? undefined : ` ${fixed(100 * stack.rejectedShare, 2)} % of all samples were left out as outliers.`}</p>
${stack.notes.map((note) => html`<p>${shorten(note, 300)}</p>`)}
${stack.noise && stack.framesUsed > 1 ? noisePlot({ frames: stack.framesUsed, gain: stack.noise.gain, ideal: stack.noise.ideal }) : undefined}
${
  alignment
    ? html`<p>Aligned stars lie within ${fixed(alignment.rms, 2)} px of each other (${fixed(alignment.cornerRms, 2)} px in the outer tenth) over ${many(alignment.matchedFrames, 'frame')}.${alignment.plateScale === undefined ? '' : ` One pixel is ${fixed(alignment.plateScale, 1)} arcsec of sky.`}</p>
${alignment.residuals ? gridPlot({ title: 'What alignment left', unit: 'px rms', map: alignment.residuals, aspect: 1.5, full: 0.5 }) : undefined}
${alignment.notes.map((note) => html`<p class="soft">${shorten(note, 300)}</p>`)}`
    : undefined
}
<div class="maps">
${map(stack.single, 'One single frame with the same finish, for comparison')}
${map(stack.coverage, 'Coverage: the brighter, the more frames behind the sky')}
${map(stack.rejected, 'Where samples were left out: aircraft, satellites, moving stars at the land’s edge')}
${map(stack.mask, 'The land mask: white is land')}
</div>
<h3>Files</h3>
<ul>${Object.entries(stack.files).map(([name, path]) => html`<li><a href="${path}">${FILE_WORDS[name] ?? name}</a></li>`)}</ul>`;
}

const FILE_WORDS: Readonly<Record<string, string>> = {
  pictureJpeg: 'The picture, JPEG',
  pictureTiff: 'The picture, 16-bit TIFF',
  linearTiff: 'The linear stack, 16-bit TIFF for your editor (dark and flat by nature)',
  fits: 'The linear stack, FITS in floating point',
  sky: 'Only the sky, linear',
  land: 'Only the land, linear',
  mask: 'The land mask',
  coverage: 'The coverage map',
  rejected: 'The map of samples left out',
  recipe: 'The recipe: all settings and inputs',
};

function adviceSection(data: ReportData): Markup | undefined {
  const advice = nextTime(data);
  if (advice.length === 0) return undefined;
  return html`<section><h2>Next time</h2><ol class="advice">
${advice.map((item) => html`<li><b>${item.text}</b> ${item.because} <span class="soft">${item.effect}</span></li>`)}
</ol></section>`;
}

function otherSection(data: ReportData): Markup | undefined {
  const { others, unreadable } = data;
  if (others.length === 0 && unreadable.length === 0 && !data.notes) return undefined;
  return html`<section><h2>Else on the card</h2>
${
  others.length > 0
    ? html`<div class="scroll" tabindex="0" role="region" aria-label="Other sequences"><table><thead><tr><th scope="col">what</th><th scope="col">frames</th><th scope="col">settings</th><th scope="col">why</th></tr></thead><tbody>${others.map((other) => html`<tr><td>${other.role}</td><td class="num">${other.frameCount}</td><td>${other.settings}</td><td>${shorten(other.note ?? '', 200)}</td></tr>`)}</tbody></table></div>`
    : undefined
}
${
  unreadable.length > 0
    ? html`<h3>Damaged files</h3><p>These were copied faithfully but cannot be read as pictures; the damage was on the card.</p><ul>${unreadable.map((file) => html`<li>${shorten(file.name, 120)}: ${shorten(file.message, 240)}</li>`)}</ul>`
    : undefined
}
${data.notes ? html`<h3>Your notes</h3><p>${shorten(data.notes, 2000)}</p>` : undefined}
</section>`;
}

function footer(data: ReportData): Markup {
  const { latitude, longitude, zone } = data.session.site;
  const place =
    latitude === undefined || longitude === undefined
      ? ''
      : ` Place: ${fixed(latitude, 4)}, ${fixed(longitude, 4)}.`;
  const exposures = known(data.runs.map((run) => run.exposureTime));
  return html`<footer><p class="soft">Session ${data.session.id}. Times in ${zone}.${place} Made by Nightcairn ${data.toolVersion} on ${data.madeAt.slice(0, 10)}${exposures.length > 0 ? ` from ${many(data.runs.length, 'run')} at ${shutter(exposures[0])}` : ''}.</p>
<p class="soft">Keep two copies of the originals before a card is erased. On the way to the next site: permission and local rules, warm clothes, sure footing, mind tides, traffic and animals, and tell someone where you are.</p></footer>`;
}
