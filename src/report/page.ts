import { many } from '../core/index.js';
import { clock, duration, fixed } from './_format.js';
import { html, Markup, shorten } from './_html.js';
import { runSection } from './run-section.js';
import { skyPlot } from './sky-plot.js';
import { STYLE } from './style.js';
import { mainRun } from './summary.js';
import { tell } from './told.js';
import type { ReportData, Told } from './types.js';

/**
 * The session report as one page that needs no script and no network; images lie beside it.
 *
 * @param told the page's sentences and tables, worked out from the data when absent
 */
export function reportPage(data: ReportData, told: Told = tell(data)): string {
  const page = html`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>${shorten(told.title, 120)}</title>
<style>${new Markup(STYLE)}</style>
</head>
<body>
<main>
${glance(data, told)}
${contents(data, told)}
${planSection(data, told)}
${data.runs.map((run, i) => runSection(data, run, { index: i, events: told.events[i] ?? [] }))}
${skySection(data)}
${adviceSection(told)}
${compareSection(data, told)}
${otherSection(data)}
${footer(data)}
</main>
</body>
</html>
`;
  return page.text;
}

function glance(data: ReportData, told: Told): Markup {
  const run = mainRun(data);
  const stack = run?.stack;
  const item = (value: string, words: string) => html`<li><b>${value}</b><span>${words}</span></li>`;
  const size = stack?.pictureSize;
  const upright = size !== undefined && size.height > size.width;
  const measures = size ? new Markup(` width="${size.width}" height="${size.height}"`) : undefined;
  const picture = stack?.picture
    ? html`<figure class="picture"><a href="${stack.files.pictureJpeg ?? stack.picture}"><img src="${stack.picture}"${measures} alt="The finished picture: ${stack.framesUsed} frames of the sky stacked${stack.mask === undefined ? '' : ', with the land in front'}"></a><figcaption>${many(stack.framesUsed, 'frame')}, ${duration(stack.totalExposure)} of exposure, ${shorten(run?.settings ?? '', 120)}.</figcaption></figure>`
    : undefined;
  return html`<header>
<h1>${told.title}</h1>
<p class="lead">${shorten(told.headline, 400)}</p>
</header>
<div class="glance${picture && upright ? ' upright' : ''}">${picture}
<div><ul class="tallies">
${item(`${told.tally.kept}`, 'kept')}
${item(`${told.tally.doubtful}`, 'doubtful, stacked with less weight')}
${item(`${told.tally.dropped}`, 'dropped')}
${stack ? item(duration(stack.totalExposure), 'of exposure in the stack') : undefined}
${stack?.noise ? item(`${fixed(stack.noise.gain, 2)} times`, `less noise than one frame (ideal ${fixed(stack.noise.ideal, 2)})`) : undefined}
${run?.alignment?.rms !== undefined ? item(`${fixed(run.alignment.rms, 2)} px`, 'left between aligned stars') : undefined}
</ul>
${
  told.matters.length > 0
    ? html`<section aria-labelledby="matters"><h2 class="quiet" id="matters">What mattered</h2><ol class="matters">${told.matters.map((text) => html`<li>${shorten(text, 400)}</li>`)}</ol></section>`
    : html`<p>Nothing went wrong that is worth a line.</p>`
}
${data.remarks.map((remark) => html`<p class="soft">${shorten(remark, 300)}</p>`)}</div></div>`;
}

function contents(data: ReportData, told: Told): Markup {
  const links = [
    ['plan', data.plan ? 'Plan and fact' : 'The facts'],
    ...data.runs.map((_, i) => [`run-${i + 1}`, data.runs.length === 1 ? 'The run' : `Run ${i + 1}`]),
    ...(data.sky ? [['sky', 'Sky']] : []),
    ...(told.advice.length > 0 ? [['next', 'Next time']] : []),
    ...(told.compare ? [['compare', 'Two nights']] : []),
    ...(hasOther(data) ? [['else', 'Else on the card']] : []),
  ];
  return html`<nav aria-label="On this page"><ul class="contents">${links.map(([id, words]) => html`<li><a href="#${id}">${words}</a></li>`)}</ul></nav>`;
}

function planSection(data: ReportData, told: Told): Markup {
  return html`<section id="plan"><h2>${data.plan ? 'Plan and fact' : 'The facts'}</h2>
${data.plan ? undefined : html`<p class="soft">No plan was written for this night; the facts stand alone. Write one before the next with “nightcairn plan new”.</p>`}
<section class="scroll" tabindex="0" aria-label="Plan and fact"><table class="wide"><thead><tr><th scope="col">what</th>${data.plan ? html`<th scope="col">planned</th>` : undefined}<th scope="col">happened</th><th scope="col">what it meant</th></tr></thead><tbody>
${told.planAndFact.map((line) => html`<tr><th scope="row">${line.what}</th>${data.plan ? html`<td>${shorten(line.planned)}</td>` : undefined}<td>${shorten(line.happened)}</td><td>${shorten(line.meant, 300)}</td></tr>`)}
</tbody></table></section>
${data.runs.length > 1 ? html`<p class="soft">Of ${data.runs.length} runs the one with most frames stands for the night.</p>` : undefined}
${data.plan?.notes ? html`<p class="soft">Note in the plan: ${shorten(data.plan.notes, 500)}</p>` : undefined}
</section>`;
}

function skySection(data: ReportData): Markup | undefined {
  const { sky, facts, session } = data;
  if (!sky) return undefined;
  const moon = facts?.moon;
  const lines = [
    sky.target
      ? `The target, ${shorten(sky.target.name, 60)}, is ringed.`
      : 'The target was below the horizon in the middle of the run.',
    moon
      ? `The moon: ${moon.phase}, ${Math.round(100 * moon.illumination)} % lit${sky.moon ? '' : ', below the horizon'}.`
      : '',
    facts ? `Of full darkness the night had ${fixed(facts.darkness.hours, 1)} h.` : '',
    facts?.sky.brightness === undefined
      ? ''
      : `The site’s zenith is put at ${fixed(facts.sky.brightness, 2)} mag/arcsec2${facts.sky.class ? `, ${facts.sky.class}` : ''}.`,
  ].filter((line) => line !== '');
  return html`<section id="sky"><h2>Sky</h2>
<div class="beside">${skyPlot(sky, { title: `The sky at ${clock(sky.at, session.site.zone)}` })}
<div><p>The whole sky in the middle of the run as it stands overhead: north up, east to the left, the horizon at the rim, the line the middle of the Milky Way.</p>
<ul>${lines.map((line) => html`<li>${line}</li>`)}</ul></div></div></section>`;
}

function adviceSection(told: Told): Markup | undefined {
  if (told.advice.length === 0) return undefined;
  return html`<section id="next"><h2>Next time</h2><ol class="advice">
${told.advice.map((item) => html`<li><b>${item.text}</b> ${item.because} <span class="soft">${item.effect}</span></li>`)}
</ol></section>`;
}

function compareSection(data: ReportData, told: Told): Markup | undefined {
  if (!told.compare) return undefined;
  return html`<section id="compare"><h2>Two nights side by side</h2>
<section class="scroll" tabindex="0" aria-label="Two nights side by side"><table class="wide"><thead><tr><th scope="col">what</th><th scope="col">${told.title.replace(/^The night/, 'This night')}</th><th scope="col">${told.compare.title}</th></tr></thead><tbody>
${told.compare.lines.map((line) => html`<tr${line.here === line.there ? '' : new Markup(' class="differs"')}><th scope="row">${line.what}</th><td>${shorten(line.here)}</td><td>${shorten(line.there)}</td></tr>`)}
</tbody></table></section>
<p class="soft">Lines that differ are set in bold. Sky levels compare only between runs of one camera at one ISO${data.runs.length > 1 ? '; of several runs the longest is shown' : ''}.</p></section>`;
}

const hasOther = (data: ReportData): boolean =>
  data.others.length > 0 || data.unreadable.length > 0 || data.notes !== '';

const DAMAGE_WORDS: Readonly<Record<string, string>> = {
  TRUNCATED: 'the file is cut short',
  ALL_ZERO: 'every byte of it is zero',
  EMPTY_FILE: 'the file is empty',
};

function otherSection(data: ReportData): Markup | undefined {
  const { others, unreadable, session } = data;
  if (!hasOther(data)) return undefined;
  return html`<section id="else"><h2>Else on the card</h2>
${
  others.length > 0
    ? html`<section class="scroll" tabindex="0" aria-label="Other sequences"><table><thead><tr><th scope="col">what</th><th scope="col">from</th><th scope="col">frames</th><th scope="col">settings</th><th scope="col">why</th></tr></thead><tbody>${others.map((other) => html`<tr><th scope="row">${shorten(ROLE_WORDS[other.role] ?? other.role, 40)}</th><td class="num">${other.start ? clock(other.start, session.site.zone) : ''}</td><td class="num">${other.frameCount}</td><td>${shorten(other.settings, 120)}</td><td>${shorten(other.note ?? '', 200)}</td></tr>`)}</tbody></table></section>`
    : undefined
}
${
  unreadable.length > 0
    ? html`<h3>Damaged files</h3><p>These were copied faithfully but cannot be read as pictures; the damage was on the card.</p><ul>${unreadable.map((file) => html`<li><b>${shorten(file.name, 120)}</b>: ${DAMAGE_WORDS[file.code] ?? 'it cannot be read'}. <span class="soft">${shorten(file.message, 240)}</span></li>`)}</ul>`
    : undefined
}
${data.notes ? html`<h3>Your notes</h3><p>${shorten(data.notes, 2000)}</p>` : undefined}
</section>`;
}

const ROLE_WORDS: Readonly<Record<string, string>> = {
  dark: 'darks',
  flat: 'flats',
  bias: 'biases',
  test: 'test shots',
  other: 'other frames',
};

function footer(data: ReportData): Markup {
  const { latitude, longitude, zone } = data.session.site;
  const place =
    latitude === undefined || longitude === undefined
      ? ''
      : ` Place: ${fixed(latitude, 4)}, ${fixed(longitude, 4)}.`;
  return html`<footer><p class="soft">Session ${shorten(data.session.id, 120)}. Times in ${zone}.${place} Made by Nightcairn ${data.toolVersion} on ${data.madeAt.slice(0, 10)}.</p>
<p class="soft">Keep two copies of the originals before a card is erased. On the way to the next site: permission and local rules, warm clothes, sure footing, mind tides, traffic and animals, and tell someone where you are.</p></footer>`;
}
