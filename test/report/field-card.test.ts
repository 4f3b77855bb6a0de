import { describe, expect, it } from 'vitest';
import { altitudePlot, type FieldCard, fieldCardPage } from '../../src/report/index.js';
import { planFacts } from '../../src/sky/index.js';
import { parsePage } from './_markup.js';
import { nightFacts, site } from './_night.js';

const card = (more: Partial<FieldCard> = {}): FieldCard => ({
  plan: {
    id: 'p1',
    night: '2026-08-12',
    siteName: site.name,
    zone: site.zone,
    latitude: site.latitude,
    longitude: site.longitude,
    focalLengthMm: 24,
    fNumber: 2.8,
    iso: 3200,
    exposureTime: 10,
    frames: 40,
    notes: 'Upright over the mast.',
  },
  facts: nightFacts(),
  sky: {
    at: '2026-08-12T21:08:00.000Z',
    stars: [[0, 0, 1]],
    arch: [
      [
        [0, -1],
        [0, 1],
      ],
    ],
    target: { name: 'galactic center', place: [0.1, 0.2] },
  },
  moon: nightFacts().target.altitudes.map(({ time }) => ({ time, altitude: -20 })),
  ...more,
});

describe('fieldCardPage', () => {
  it('shows window, settings, chart, altitudes, shutter limits, checklist and cautions on well-formed markup', () => {
    const { tags, text } = parsePage(fieldCardPage(card()));
    const { window, shutter } = nightFacts();
    const clock = (instant: string) =>
      new Intl.DateTimeFormat('en-GB', { timeZone: site.zone, timeStyle: 'short' }).format(new Date(instant));
    expect(text).toContain(`${clock(window.start!)} to ${clock(window.end!)}`);
    for (const said of [
      '24 mm',
      'f/2.8',
      '10 s',
      'ISO 3200',
      'galactic center',
      'Longest shutter',
      'Dew heater',
      'lens cap on',
      'Permission and local rules',
      'Never point lens or eye at the sun',
      'Upright over the mast.',
    ]) {
      expect(text).toContain(said);
    }
    expect(text).toContain(`${Number(shutter.rule500!.toFixed(0))} s`);
    // The sky, the altitudes, and the Milky Way in the frame at both ends of the window.
    expect(tags.filter(({ name }) => name === 'svg')).toHaveLength(4);
    expect(text).toContain(`In the frame at ${clock(window.end!)}`);
    expect(text).toMatch(/Window opens\s+\d\d:\d\d\s+target \d+ deg up in the [NESW]+ \(\d+ deg\)/);
    expect(text).toContain('as planned');
    expect(tags.filter(({ name }) => name === 'script')).toEqual([]);
    expect(fieldCardPage(card())).not.toMatch(/\bNaN\b|undefined|https?:/);
  });

  it('offers what the plan leaves open and marks it as suggested', () => {
    const facts = planFacts({
      site,
      night: '2026-08-12',
      target: 'core',
      focalLengthMm: 24,
      pixelPitchUm: 6,
      fNumber: 2.8,
    });
    const { exposureTime: _e, iso: _i, frames: _f, ...plan } = card().plan;
    const { text } = parsePage(fieldCardPage(card({ plan, facts })));
    for (const { field } of facts.suggestions) {
      const word = field === 'iso' ? 'sensitivity' : field;
      expect(text).toContain(`${word}, suggested`);
    }
    expect(facts.suggestions).toHaveLength(3);
  });

  it('says so when there is no window: midnight sun, and a target that never rises', () => {
    for (const place of [
      { site: { name: 'Far North', latitude: 70, longitude: 20, zone: 'Europe/Oslo' }, night: '2026-06-21' },
      { site: { name: 'Far North', latitude: 75, longitude: 20, zone: 'Europe/Oslo' }, night: '2026-12-21' },
    ]) {
      const facts = planFacts({ ...place, target: 'core', focalLengthMm: 24 });
      const page = fieldCardPage(
        card({
          facts,
          plan: { ...card().plan, siteName: place.site.name, zone: place.site.zone, night: place.night },
        }),
      );
      expect(parsePage(page).text).toContain('No good window');
      expect(page).not.toMatch(/\bNaN\b|undefined|Infinity/);
    }
  });

  it('shows a hostile plan as plain text', () => {
    const evil = '"><script>alert(1)</script>';
    const page = fieldCardPage(
      card({ plan: { ...card().plan, id: evil, siteName: evil, notes: evil.repeat(500) } }),
    );
    expect(parsePage(page).tags.filter(({ name }) => name === 'script')).toEqual([]);
  });
});

describe('altitudePlot', () => {
  it('draws only what stands above the horizon', () => {
    const options = { dark: [], window: [], domain: [0, 3_600_000] as const, zone: 'UTC' };
    const down = altitudePlot({
      ...options,
      lines: [
        {
          name: 'moon',
          weight: 'other',
          points: [
            { time: 0, altitude: -30 },
            { time: 3_600_000, altitude: -20 },
          ],
        },
      ],
    }).text;
    expect(down).not.toContain('class="path');
    const up = altitudePlot({
      ...options,
      lines: [
        {
          name: 'moon',
          weight: 'other',
          points: [
            { time: 0, altitude: -5 },
            { time: 1_800_000, altitude: 10 },
            { time: 3_600_000, altitude: 20 },
          ],
        },
      ],
    }).text;
    expect(up.match(/<path class="path other" d="M[^"]*"/)?.[0]).not.toContain('NaN');
  });
});
