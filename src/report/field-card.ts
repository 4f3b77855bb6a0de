import { compass } from '../core/index.js';
import type { PlanFacts } from '../sky/index.js';
import { clock, duration, fixed, shutter } from './_format.js';
import { html, Markup, shorten } from './_html.js';
import { altitudePlot } from './altitude-plot.js';
import { framePlot } from './frame-plot.js';
import { skyPlot } from './sky-plot.js';
import { STYLE } from './style.js';
import { nightDate } from './told.js';
import type { ReportSky } from './types.js';

/** All that the card shows. */
export interface FieldCard {
  readonly plan: {
    readonly id: string;
    readonly night: string;
    readonly siteName: string;
    readonly zone: string;
    readonly latitude: number;
    readonly longitude: number;
    readonly focalLengthMm?: number;
    readonly fNumber?: number;
    readonly iso?: number;
    readonly exposureTime?: number;
    readonly frames?: number;
    readonly notes?: string;
  };
  readonly facts: PlanFacts;
  /** The sky in the middle of the window, or when the target stands highest. */
  readonly sky?: ReportSky;
  /** The moon through the night, deg, at the times of the target's table. */
  readonly moon: readonly { readonly time: string; readonly altitude: number }[];
}

const CARD_STYLE = `
main { max-width:52rem; padding-bottom:1rem; }
h1 { font-size:1.5rem; } h2 { font-size:1.05rem; margin:1rem 0 .3rem; } p { margin:.3em 0; }
.window { font-size:1.9rem; font-weight:600; line-height:1.2; margin:.2em 0 0; }
.pair { display:grid; grid-template-columns:minmax(0,1fr) minmax(0,1.25fr); gap:0 1.6rem; align-items:start; }
.settings { display:grid; grid-template-columns:repeat(4,1fr); gap:.5rem; list-style:none; padding:0; margin:.6rem 0; }
.settings li { background:var(--sheet); border:1px solid var(--line); border-radius:4px; padding:.4rem .6rem; }
.settings b { display:block; font-size:1.25rem; } .settings span { color:var(--soft); font-size:.8rem; }
.check { list-style:none; padding:0; margin:.3rem 0; columns:2; column-gap:1.6rem; }
.check li { break-inside:avoid; padding:.18rem 0 .18rem 1.5rem; position:relative; font-size:.93rem; line-height:1.35; }
.check li::before { content:""; position:absolute; left:.1rem; top:.42rem; width:.8rem; height:.8rem; border:1.5px solid var(--ink); border-radius:2px; }
table { font-size:.88rem; } th,td { padding:.2rem .5rem; }
.plot.sky { width:100%; } .pair.even { grid-template-columns:minmax(0,1.1fr) minmax(0,1fr); } .pair.even ul { padding-left:1.2rem; } .views { display:grid; grid-template-columns:1fr 1fr; gap:.8rem; } .plot.view { margin:.2rem 0; } svg .core { fill:var(--accent); } svg .path { fill:none; stroke:var(--ink); } svg .path.main { stroke-width:2.4; } svg .path.other { stroke-width:1.4; stroke-dasharray:5 4; }
@media (max-width:40rem) { .pair,.pair.even { grid-template-columns:minmax(0,1fr); } .check { columns:1; } .settings { grid-template-columns:1fr 1fr; } }
@media print { main ul:not(.check,.settings) { margin:.2rem 0; } .pair.even { grid-template-columns:minmax(0,1.1fr) minmax(0,1fr); } @page { size:A4; margin:11mm; } main { padding:0; max-width:none; } body { font-size:8.5pt; line-height:1.3; } h1 { font-size:14pt; margin:0; } h2 { font-size:9.5pt; margin:.35rem 0 .15rem; padding-bottom:.1rem; border-bottom-width:1px; } .window { font-size:18pt; margin:0; } .pair { gap:0 1rem; grid-template-columns:minmax(0,.8fr) minmax(0,1.2fr); } .plot { margin:.1rem 0; } .settings { margin:.3rem 0; gap:.25rem; } .settings li { padding:.15rem .4rem; } .settings b { font-size:10.5pt; } th,td { padding:.08rem .4rem; } table { font-size:8pt; } .check li { font-size:8.5pt; padding-top:.05rem; padding-bottom:.05rem; } .check li::before { top:.18rem; } footer { margin-top:.4rem; padding-top:.2rem; } p { max-width:none; margin:.15em 0; } .soft,thead th,.settings span { font-size:8pt; } }
`;

/** A plan as one page to print and take along; needs no script and no network. */
export function fieldCardPage(card: FieldCard): string {
  const { plan, facts } = card;
  const title = `${nightDate(plan.night)}, ${plan.siteName}`;
  return html`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>${shorten(`Field card: ${title}`, 120)}</title>
<style>${new Markup(STYLE + CARD_STYLE)}</style>
</head>
<body>
<main>
<header><h1>${shorten(title, 120)}</h1>
<p class="window">${windowText(card)}</p>
<p class="soft">${facts.window.text} Times in ${plan.zone}.${brightness(facts)}</p></header>
${settings(card)}
<div class="pair"><div>${card.sky ? skyPlot(card.sky, { title: `The sky at ${clock(card.sky.at, plan.zone)}` }) : undefined}
<p class="soft">As it stands overhead: north up, east to the left.</p>${views(card)}</div>
<div>${altitudes(card)}${times(card)}</div></div>
<div class="pair even"><div>${shutterTable(card)}</div><div>${mind(card)}</div></div>
<h2>At the site</h2>
<ul class="check">${CHECKLIST.map((item) => html`<li>${item}</li>`)}</ul>
<h2>Before and around</h2>
<p class="soft">${CAUTIONS}</p>
<footer><p class="soft">Plan ${shorten(plan.id, 80)}; ${fixed(plan.latitude, 4)}, ${fixed(plan.longitude, 4)}.</p></footer>
</main>
</body>
</html>
`.text;
}

/** What good practice asks, in the order of the night. */
const CHECKLIST: readonly string[] = [
  'Batteries charged and one kept warm in a pocket; card empty, its last night saved twice.',
  'RAW, manual exposure, lens stabiliser off, long-exposure noise reduction off, clock set.',
  'Tripod low, level and weighted; nothing hanging loose.',
  'Focus on a bright star at full magnification; test shot; look at the corners too. Tape the ring.',
  'Shutter delay, self-timer or release, so that no hand shakes the first frame.',
  'Test shot for framing: horizon straight, target where it should be.',
  'Dew heater on, before the glass is cold.',
  'Start the run; lights away from the land, feet away from the tripod.',
  'Re-check focus every half hour and when it gets colder.',
  'At the end, lens cap on: ten or more darks with the same shutter and ISO.',
];

const CAUTIONS =
  'Permission and local rules for the site by night. Someone knows where you are and when you return. Warm layers, sure footing, a light for the way; mind tides, traffic and animals. Heaters, power banks and batteries: as their makers say, dry and ventilated. Never point lens or eye at the sun; pack up before it rises.';

function windowText({ plan, facts }: FieldCard): string {
  const { start, end } = facts.window;
  return start && end ? `${clock(start, plan.zone)} to ${clock(end, plan.zone)}` : 'No good window';
}

function settings({ plan, facts }: FieldCard): Markup {
  const suggested = (field: 'shutter' | 'iso' | 'frames') =>
    facts.suggestions.find((suggestion) => suggestion.field === field)?.value;
  const item = (value: string, words: string) => html`<li><b>${value}</b><span>${words}</span></li>`;
  const time = plan.exposureTime ?? suggested('shutter');
  const iso = plan.iso ?? suggested('iso');
  const frames = plan.frames ?? suggested('frames');
  const mark = (given: number | undefined) => (given === undefined ? ', suggested' : '');
  return html`<ul class="settings">
${item(facts.target.name, 'target')}
${plan.focalLengthMm === undefined ? undefined : item(`${fixed(plan.focalLengthMm, 1)} mm`, 'focal length')}
${plan.fNumber === undefined ? undefined : item(`f/${fixed(plan.fNumber, 1)}`, 'aperture')}
${time === undefined ? undefined : item(shutter(time), `shutter${mark(plan.exposureTime)}`)}
${iso === undefined ? undefined : item(`ISO ${iso}`, `sensitivity${mark(plan.iso)}`)}
${frames === undefined ? undefined : item(`${frames}`, `frames${mark(plan.frames)}`)}
${facts.run?.duration === undefined ? undefined : item(duration(facts.run.duration), 'for the run')}
${facts.run?.noiseGain === undefined ? undefined : item(`1/${fixed(facts.run.noiseGain, 1)}`, 'of the noise left')}
</ul>`;
}

function altitudes({ plan, facts, moon }: FieldCard): Markup | undefined {
  const { altitudes: rows, name } = facts.target;
  if (rows.length < 2) return undefined;
  const stretch = (start: string | undefined, end: string | undefined) =>
    start && end ? [[Date.parse(start), Date.parse(end)] as const] : [];
  return altitudePlot({
    lines: [
      {
        name,
        weight: 'main',
        points: rows.map((row) => ({ time: Date.parse(row.time), altitude: row.altitude })),
      },
      {
        name: 'moon',
        weight: 'other',
        points: moon.map((row) => ({ time: Date.parse(row.time), altitude: row.altitude })),
      },
    ],
    dark: stretch(facts.darkness.dusk, facts.darkness.dawn),
    window: facts.window.intervals.map(({ start, end }) => [Date.parse(start), Date.parse(end)] as const),
    domain: [Date.parse(rows[0]!.time), Date.parse(rows.at(-1)!.time)],
    zone: plan.zone,
  });
}

/** The Milky Way in the frame at both ends of the window. */
function views({ plan, facts }: FieldCard): Markup | undefined {
  const { arch } = facts;
  if (!arch) return undefined;
  const { aim, aspect } = arch;
  const one = (points: typeof arch.atStart, instant: string) =>
    framePlot(points, { aspect, title: `In the frame at ${clock(instant, plan.zone)}` });
  return html`<div class="views">${one(arch.atStart, arch.start)}${one(arch.atEnd, arch.end)}</div>
<p class="soft">Aimed at the target in mid-window: azimuth ${fixed(aim.azimuth, 0)} deg, ${fixed(aim.altitude, 0)} deg up, level.</p>`;
}

function times({ plan, facts }: FieldCard): Markup {
  const { darkness, moon, target } = facts;
  const at = (instant: string | undefined) => clock(instant, plan.zone);
  const place = (instant: string | undefined) => {
    // The table has a row every 10 minutes: the nearest is good to a degree or two.
    const off = ({ time }: { readonly time: string }) => Math.abs(Date.parse(time) - Date.parse(instant!));
    const [nearest] = instant ? [...target.altitudes].sort((a, b) => off(a) - off(b)) : [];
    return nearest
      ? `target ${fixed(nearest.altitude, 0)} deg up in the ${compass(nearest.azimuth)} (${fixed(nearest.azimuth, 0)} deg)`
      : '';
  };
  const rows: (readonly [string, string | undefined, string])[] = [
    ['Sunset', darkness.sunset, ''],
    ['Full darkness begins', darkness.dusk, `${fixed(darkness.hours, 1)} h of it`],
    ['Nautical dusk', darkness.nauticalDusk, ''],
    ['Window opens', facts.window.start, place(facts.window.start)],
    ['Window closes', facts.window.end, place(facts.window.end)],
    ['Nautical dawn', darkness.nauticalDawn, ''],
    ['Target rises', target.rise, ''],
    [
      'Target highest',
      target.transit,
      target.transitAltitude === undefined ? '' : `${fixed(target.transitAltitude, 0)} deg up`,
    ],
    ['Target sets', target.set, ''],
    ['Moon rises', moon.rise, `${moon.phase}, ${Math.round(100 * moon.illumination)} % lit`],
    ['Moon sets', moon.set, ''],
    ['Full darkness ends', darkness.dawn, ''],
    ['Sunrise', darkness.sunrise, ''],
  ];
  return html`<table><tbody>${rows
    .filter(([, instant]) => instant !== undefined)
    .sort(([, a], [, b]) => (a! < b! ? -1 : 1))
    .map(
      ([what, instant, more]) =>
        html`<tr><th scope="row">${what}</th><td>${at(instant)}</td><td>${more}</td></tr>`,
    )}</tbody></table>`;
}

/** What stands against the plan, and what its author wrote. */
function mind({ plan, facts }: FieldCard): Markup | undefined {
  if (facts.notes.length === 0 && !plan.notes) return undefined;
  return html`<h2>Mind</h2>
${facts.notes.length > 0 ? html`<ul>${facts.notes.map((note) => html`<li>${shorten(note, 240)}</li>`)}</ul>` : undefined}
${plan.notes ? html`<p>Note: ${shorten(plan.notes, 300)}</p>` : undefined}`;
}

/** How dark the sky is there, and what the moon does to it. */
function brightness({ sky, moon }: PlanFacts): string {
  const said = [
    sky.brightness === undefined
      ? ''
      : `Sky ${sky.brightness.toFixed(2)} mag/arcsec2${sky.class ? `, class ${sky.class}` : ''}${sky.source ? ` (${sky.source})` : ''}.`,
    (moon.maxBrightening ?? 0) >= 0.05
      ? `The moon brightens the sky at the target by up to ${moon.maxBrightening!.toFixed(1)} mag while it is dark.`
      : '',
  ].filter((text) => text !== '');
  return said.map((text) => ` ${text}`).join('');
}

function shutterTable({ plan, facts }: FieldCard): Markup | undefined {
  const limits = facts.shutter;
  const rows: readonly (readonly [string, number | undefined, number | undefined, number | undefined])[] = [
    ['500 rule', limits.rule500, limits.trailAtRule500, limits.cornerTrailAtRule500],
    ['NPF rule, simple', limits.npfSimple, limits.trailAtNpfSimple, limits.cornerTrailAtNpfSimple],
    ['NPF rule, full', limits.npfFull, limits.trailAtNpfFull, limits.cornerTrailAtNpfFull],
    [`for ${fixed(limits.tolerance, 1)} px`, limits.longestForTolerance, limits.tolerance, undefined],
    ['as planned', plan.exposureTime, limits.trailAtPlanned, limits.cornerTrailAtPlanned],
  ];
  // A limit is no setting of the dial: a second more or less matters.
  const time = (seconds: number | undefined) =>
    seconds !== undefined && seconds >= 2 && seconds < 60 ? `${fixed(seconds, 1)} s` : shutter(seconds);
  const known = rows.filter(([, seconds]) => seconds !== undefined);
  if (known.length === 0) return undefined;
  const px = (value: number | undefined) => (value === undefined ? '' : `${fixed(value, 1)} px`);
  return html`<h2>Longest shutter</h2>
<section class="scroll" tabindex="0" aria-label="Longest shutter"><table><thead><tr><th scope="col">rule</th><th scope="col">longest</th><th scope="col">trail at the target</th><th scope="col">in the worst corner</th></tr></thead><tbody>
${known.map(([name, seconds, trail, corner]) => html`<tr><th scope="row">${name}</th><td>${time(seconds)}</td><td>${px(trail)}</td><td>${px(corner)}</td></tr>`)}
</tbody></table></section>`;
}
