import { describe, expect, it } from 'vitest';
import { hidePlace, type ReportData, reportPage, tell } from '../../src/report/index.js';
import { decode, parsePage } from './_markup.js';
import { badFrame, badNight, goodNight, goodRun, runWith } from './_night.js';

const nights: readonly (readonly [string, () => ReportData])[] = [
  ['a good night', goodNight],
  ['a bad night', badNight],
  ['a night without plan, site or stack', () => bare()],
  ['a night without lights', () => ({ ...goodNight(), runs: [], plan: undefined!, facts: undefined! })],
  [
    'a night that could not be aligned',
    () =>
      goodNight(
        goodRun(5, {
          alignment: { method: 'none', matchedFrames: 0, segmentCount: 1, notes: [] },
          stack: undefined!,
        }),
      ),
  ],
  ['a night of two runs', () => twoRuns()],
  ['a private night', () => hidePlace(badNight())],
];

/** The second run has frames of its own. */
function twoRuns(): ReportData {
  const second = goodRun(12, { sequenceId: '2026-08-12-sandpiper-flat/3' });
  return goodNight(goodRun(), {
    runs: [
      goodRun(),
      { ...second, frames: second.frames.map((frame) => ({ ...frame, id: `second-${frame.id}` })) },
    ],
  });
}

function bare(): ReportData {
  const { plan: _plan, facts: _facts, ...rest } = goodNight();
  const { stack: _stack, alignment: _alignment, ...run } = goodRun();
  return {
    ...rest,
    session: { id: '2026-08-12-x', night: '2026-08-12', site: { name: 'site not named', zone: 'UTC' } },
    runs: [
      {
        ...run,
        frames: run.frames.map(({ id, name, byPerson, reasons, remarks, streaks }) => ({
          id,
          name,
          byPerson,
          reasons,
          remarks,
          streaks,
          verdict: 'none' as const,
        })),
      },
    ],
    others: [],
  };
}

describe('reportPage', () => {
  for (const [name, make] of nights) {
    it(`writes well-formed markup without a script for ${name}`, () => {
      const page = reportPage(make());
      const { tags } = parsePage(page);
      expect(tags.filter((tag) => tag.name === 'script')).toEqual([]);
      for (const tag of tags) {
        for (const key of tag.attributes.keys()) expect(key.startsWith('on')).toBe(false);
      }
      expect(page).not.toMatch(/https?:\/\//);
      expect(page).not.toMatch(/\bNaN\b|undefined|Infinity|\[object/);
    });

    it(`can be used with a keyboard and read aloud: ${name}`, () => {
      const { tags } = parsePage(reportPage(make()));
      const ids = tags.flatMap((tag) => tag.attributes.get('id') ?? []);
      expect(new Set(ids).size).toBe(ids.length);
      for (const tag of tags) {
        const href = tag.attributes.get('href');
        if (href?.startsWith('#')) expect(ids).toContain(href.slice(1));
        if (tag.name === 'img') expect(tag.attributes.get('alt') ?? '').not.toBe('');
        if (tag.name === 'svg') expect(tag.attributes.get('aria-label') ?? '').not.toBe('');
        if (tag.name === 'section' && tag.attributes.has('tabindex'))
          expect(tag.attributes.get('aria-label') ?? '').not.toBe('');
      }
      // Regions can be told apart by name, with several runs on a page too.
      const regions = tags.filter((tag) => tag.name === 'section' && tag.attributes.has('tabindex'));
      const names = regions.map((tag) => tag.attributes.get('aria-label'));
      expect(new Set(names).size).toBe(names.length);
      const levels = tags.filter((tag) => /^h[1-6]$/.test(tag.name)).map((tag) => Number(tag.name[1]));
      expect(levels[0]).toBe(1);
      expect(levels.filter((level) => level === 1)).toHaveLength(1);
      // No level is jumped over on the way down.
      levels.slice(1).forEach((level, i) => {
        expect(level - levels[i]!).toBeLessThanOrEqual(1);
      });
      expect(tags.find((tag) => tag.name === 'html')?.attributes.get('lang')).toBe('en');
      expect(tags.filter((tag) => tag.name === 'th').every((tag) => tag.attributes.has('scope'))).toBe(true);
    });
  }

  it('is the same page when made from its JSON twin', () => {
    const data = badNight();
    const { told, ...again } = JSON.parse(JSON.stringify({ ...data, told: tell(data) }));
    expect(reportPage(again)).toBe(reportPage(data));
    expect(tell(again)).toEqual(told);
  });

  it('tells only numbers that its JSON holds', () => {
    for (const data of [badNight(), goodNight()]) {
      const told = tell(data);
      const known = numbersOf(JSON.parse(JSON.stringify({ ...data, told })));
      const { text } = parsePage(withoutAxes(reportPage(data, told)));
      const zone = data.session.site.zone;
      const clocks = clocksOf(data, zone);
      const strange = (text.match(/\d+(?::\d\d)+|\d[\d,]*(?:\.\d+)?/g) ?? []).filter(
        (found) => !(found.includes(':') ? clocks.has(found) : known.has(Number(found.replace(/,/g, '')))),
      );
      expect(strange).toEqual([]);
      // The check can fail: a gain one hundredth off is in no record.
      expect(known.has(6.18)).toBe(true);
      expect(known.has(6.17)).toBe(false);
    }
  });

  it('shows a hostile header as plain text and nothing else (script tags, 10,000 characters, control codes)', () => {
    const evil = `"><script>alert(1)</script><img src=x onerror=alert(2)>'&amp;\u0000\u0007\u001b[2J\u202e${'A'.repeat(10_000)}`;
    const frame = badFrame(
      3,
      'drop',
      { code: 'cloud', value: 0.3, limit: 0.72, text: evil },
      { name: evil, remarks: [evil] },
    );
    const run = runWith(
      { 3: frame },
      {
        camera: evil,
        lens: evil,
        settings: evil,
        notes: [evil],
        remarks: [evil],
        holes: [{ length: 30, after: evil, likelyCause: evil }],
        transients: [
          { frameId: frame.id, name: evil, kind: 'line', length: 100, why: evil, takenAt: frame.takenAt! },
        ],
      },
    );
    const calm = goodNight(run);
    const data: ReportData = {
      ...calm,
      session: { ...calm.session, id: evil, site: { ...calm.session.site, name: evil } },
      plan: { ...calm.plan!, id: evil, siteName: evil, notes: evil, target: evil },
      others: [{ role: evil, frameCount: 1, settings: evil, note: evil }],
      unreadable: [{ name: evil, code: evil, message: evil }],
      remarks: [evil],
      notes: evil,
      sky: { at: calm.madeAt, stars: [], arch: [], target: { name: evil, place: [0, 0] } },
    };
    const page = reportPage(data);
    const { tags, text } = parsePage(page);
    expect(tags.filter((tag) => ['script', 'iframe', 'object'].includes(tag.name))).toEqual([]);
    for (const tag of tags) {
      for (const key of tag.attributes.keys()) expect(key.startsWith('on')).toBe(false);
      // A link or picture from such a text would lead anywhere.
      expect(tag.attributes.get('src') ?? '').not.toContain('alert');
    }
    expect(page).not.toMatch(/(?![\t\n\r])\p{Cc}/u);
    // Marks that turn the direction of text round would change words that are not the file's.
    expect(page).not.toMatch(/[\u202a-\u202e\u2066-\u2069]/);
    expect(text).toContain('<script>alert(1)</script>');
    // Long texts are cut: the page stays under 200 kB, ten times less than the texts put in.
    expect(page.length).toBeLessThan(200_000);
    const strip = (markup: string) => parsePage(markup).tags.map((tag) => tag.name);
    const calmer = reportPage(replaceText(data, evil, 'plain'));
    expect(strip(page)).toEqual(strip(calmer));
  });
});

/** The same record with one text put in the place of another. */
function replaceText<T>(value: T, from: string, to: string): T {
  return JSON.parse(JSON.stringify(value), (_key, item: unknown) =>
    typeof item === 'string' ? item.split(from).join(to) : item,
  ) as T;
}

/** A page without the labels of axes, which are round numbers of the scale and not of the night. */
const withoutAxes = (page: string): string =>
  page.replace(/<text class="tick"[^>]*>[^<]*<\/text>/g, '').replace(/<style>[\s\S]*?<\/style>/, '');

/** Every number in a record, as it is and rounded to 0 to 4 decimals, as a share and in percent, and those in its texts. */
function numbersOf(value: unknown, known = new Set<number>()): Set<number> {
  if (typeof value === 'number') {
    for (const number of [value, value * 100, Math.abs(value)]) {
      known.add(number);
      for (let digits = 0; digits <= 4; digits++) known.add(Number(number.toFixed(digits)));
    }
  } else if (typeof value === 'string') {
    for (const found of decode(value).match(/\d[\d,]*(?:\.\d+)?/g) ?? [])
      known.add(Number(found.replace(/,/g, '')));
  } else if (Array.isArray(value)) {
    // How many there are of a list is a number of the record too.
    known.add(value.length);
    for (const item of value) numbersOf(item, known);
  } else if (typeof value === 'object' && value !== null) {
    for (const item of Object.values(value)) numbersOf(item, known);
  }
  return known;
}

/** Every instant of a record as a time of day, with and without seconds. */
function clocksOf(data: ReportData, timeZone: string): Set<string> {
  const clocks = new Set<string>();
  for (const [instant] of JSON.stringify({ ...data, told: tell(data) }).matchAll(
    /\d{4}-\d\d-\d\dT[\d:.]+Z/g,
  )) {
    const time = new Intl.DateTimeFormat('en-GB', { timeZone, timeStyle: 'medium', hourCycle: 'h23' }).format(
      new Date(instant),
    );
    clocks.add(time);
    clocks.add(time.slice(0, 5));
  }
  return clocks;
}
