import { describe, expect, it } from 'vitest';
import {
  compareNights,
  HIDDEN_SITE,
  hidePlace,
  planAndFact,
  reportPage,
  tell,
} from '../../src/report/index.js';
import { badFrame, badNight, goodFrame, goodNight, goodRun, goodStack, runWith, site } from './_night.js';

const line = (data: Parameters<typeof planAndFact>[0], what: string) =>
  planAndFact(data).find((item) => item.what === what);

describe('planAndFact', () => {
  it('sets every line of the plan beside what happened', () => {
    const lines = planAndFact(goodNight());
    expect(lines.map(({ what }) => what)).toEqual([
      'Site',
      'Time',
      'Shutter',
      'Aperture',
      'ISO',
      'Focal length',
      'Frames',
      'Darkness',
      'Moon',
      'Target',
      'Framing',
    ]);
    for (const item of lines) {
      expect(item.planned).not.toBe('not planned');
      expect(item.happened).not.toBe('unknown');
      expect(item.meant).not.toBe('');
    }
  });

  it('says what fewer frames cost: 29 of 40 is 17 % more noise', () => {
    const run = goodRun(29, { stack: { ...goodStack, framesUsed: 29 } });
    // sqrt(40 / 29) = 1.174.
    expect(line(goodNight(run), 'Frames')?.meant).toContain('11 fewer than wanted: 17 % more noise');
  });

  it('tells a shutter that really ran longer, and the trail it made (P03)', () => {
    const run = goodRun(40, { exposureTime: 30, realExposureTime: 32 });
    const found = line(
      goodNight({
        ...run,
        frames: run.frames.map((frame) => ({ ...frame, trailLength: 3.4, predictedTrail: 3.3 })),
      }),
      'Shutter',
    );
    expect(found?.happened).toBe('30 s (really 32 s), stars 3.4 px long at the middle');
    expect(found?.meant).toContain('The turning sky explains 3.3 px');
  });

  it('says that settings differ from the plan', () => {
    expect(line(goodNight(goodRun(40, { iso: 6400 })), 'ISO')?.meant).toContain('Not as planned');
    expect(line(goodNight(), 'ISO')?.meant).not.toContain('Not as planned');
  });

  it('tells twilight and moonlight where there was any (P38)', () => {
    const run = goodRun();
    const bright = {
      ...run,
      frames: run.frames.map((frame, n) => ({ ...frame, sunAltitude: n < 10 ? -15 : -20, moonAltitude: 30 })),
    };
    expect(line(goodNight(bright), 'Darkness')?.happened).toBe('fully dark in 30 of 40 frames');
    expect(line(goodNight(bright), 'Moon')?.happened).toContain('up to 30 deg high');
    expect(line(goodNight(), 'Moon')?.meant).toBe('No moonlight to speak of.');
  });

  it('says that a run went on past dawn or began before dusk', () => {
    const late = goodRun(40, { start: '2026-08-13T04:00:00.000Z', end: '2026-08-13T04:20:00.000Z' });
    expect(line(goodNight(late), 'Time')?.meant).toContain('past the end of full darkness');
    const early = goodRun(40, { start: '2026-08-12T16:10:00.000Z', end: '2026-08-12T17:20:00.000Z' });
    expect(line(goodNight(early), 'Time')?.meant).toContain('began before full darkness');
  });
});

describe('tell', () => {
  it('names everything that happened in a bad night', () => {
    const told = tell(badNight());
    const all = told.events.flat().join('\n');
    for (const word of [
      'Cloud passed from',
      'The camera shook at',
      'Stray light fell in',
      'Focus went soft',
      'An aircraft, probably',
      'knocked before',
      'view moved by 20 px',
      'A hole of 24 s',
      '515 pixels',
      'File numbers began again',
    ]) {
      expect(all).toContain(word);
    }
    expect(told.matters).toHaveLength(3);
    expect(told.tally).toEqual({ lights: 40, kept: 34, doubtful: 4, dropped: 2 });
  });

  it('puts what cost most first', () => {
    expect(tell(badNight()).matters[0]).toContain('A hole of 24 s');
    expect(tell(badNight()).matters[1]).toContain('Cloud passed');
  });

  it('says the night in one sentence', () => {
    expect(tell(goodNight()).headline).toBe(
      '40 lights at Sandpiper Flat, all of them usable, stacked to 6 min 40 s of exposure, with the noise brought down 6.2 times.',
    );
    expect(tell({ ...goodNight(), runs: [] }).headline).toBe('No lights were found on this card.');
  });

  it('keeps numbers that came out as none off the page', () => {
    const reason = {
      code: 'glare' as const,
      value: Number.POSITIVE_INFINITY,
      limit: 1.5,
      text: 'The land is Infinity times as bright.',
    };
    const data = goodNight(runWith({ 3: badFrame(3, 'doubt', reason) }));
    expect(reportPage(data)).not.toMatch(/Infinity|NaN/);
    expect(tell(data).events[0]!.join(' ')).toContain('Stray light fell in at');
    // From the JSON twin the value comes back as null.
    expect(reportPage(JSON.parse(JSON.stringify(data)))).not.toMatch(/Infinity|NaN/);
  });

  it('says that a site has no name instead of naming it so', () => {
    const night = goodNight();
    const data = { ...night, session: { ...night.session, site: { name: 'site not named', zone: 'UTC' } } };
    expect(tell(data).title).toBe('The night of 12 August 2026 at a site not named');
  });

  it('works out what five more and twice as many frames would give (P44)', () => {
    const { moreFrames } = tell(goodNight());
    // 6.18 sqrt(45/40) = 6.555; 6.18 sqrt(2) = 8.740; to the digits written here.
    expect(moreFrames.map(({ frames }) => frames)).toEqual([45, 80]);
    expect(moreFrames[0]!.gain).toBeCloseTo(6.555, 3);
    expect(moreFrames[1]!.gain).toBeCloseTo(8.74, 3);
  });
});

describe('compareNights', () => {
  it('sets two nights side by side, unknown lines left out (P58)', () => {
    const other = goodNight({
      ...goodRun(20, { stack: undefined! }),
      frames: goodRun(20).frames.map((frame) => ({ ...frame, fwhm: 3.1 })),
    });
    const lines = compareNights(goodNight(), other);
    expect(lines).toContainEqual({ what: 'Star width, fwhm', here: '2.6 px', there: '3.1 px' });
    expect(lines).toContainEqual({ what: 'Exposure in the stack', here: '6 min 40 s', there: 'no stack' });
    const cold = (data: typeof other) => ({
      ...data,
      runs: data.runs.map((run) => ({
        ...run,
        frames: run.frames.map(({ temperature: _t, ...frame }) => frame),
      })),
    });
    expect(compareNights(cold(goodNight()), cold(other)).map(({ what }) => what)).not.toContain(
      'Sensor temperature',
    );
    const told = tell(goodNight(), other);
    expect(reportPage(goodNight(), told)).toContain('Two nights side by side');
  });
});

describe('hidePlace', () => {
  it('leaves nothing on page or twin that tells where it was', () => {
    const night = badNight();
    const open = {
      ...night,
      remarks: ['The site Sandpiper Flat was taken from the plan.'],
      notes: 'At sandpiper flat, by the pond.',
      runs: night.runs.map((run) => ({
        ...run,
        notes: ['Shot at SANDPIPER FLAT.'],
        frames: [
          goodFrame(0, { name: 'sandpiper flat 1.dng', file: '../frames/x.dng' }),
          ...run.frames.slice(1),
        ],
        stack: { ...goodStack, files: { fits: '../stacks/x.fits' } },
      })),
    };
    const hidden = hidePlace(open);
    const told = tell(hidden);
    const all = `${reportPage(hidden, told)}${JSON.stringify({ ...hidden, told })}`;
    expect(all).not.toMatch(/sandpiper/i);
    expect(all).not.toContain('30.62');
    expect(all).not.toContain('25.13');
    expect(all).not.toContain('../frames');
    expect(hidden.facts).toBeUndefined();
    expect(hidden.sky).toBeUndefined();
    expect(hidden.session.site).toEqual({ name: HIDDEN_SITE, zone: site.zone });
    for (const frame of hidden.runs[0]!.frames) expect(frame.targetAltitude! % 10).toBe(0);
    // What the night was like is still told.
    expect(told.planAndFact.find(({ what }) => what === 'Darkness')?.happened).toBe(
      'fully dark in every frame',
    );
    expect(told.tally).toEqual(tell(open).tally);
  });

  it('keeps verdicts and reasons when a site is called like one of our words', () => {
    const night = badNight();
    const odd = { ...night, session: { ...night.session, site: { ...night.session.site, name: 'cloud' } } };
    expect(tell(hidePlace(odd)).tally).toEqual(tell(odd).tally);
    expect(hidePlace(odd).runs[0]!.frames[9]!.reasons[0]!.code).toBe('cloud');
  });
});

describe('focus that drifts as the lens cools', () => {
  it('is drawn against time beside the temperature, and the first frame beyond what is borne is named (P26)', () => {
    const ratio = (n: number) => 1 + 0.012 * n; // a slow rise: 1.2 is passed at the 18th frame
    const frames = Array.from({ length: 40 }, (_, n) => {
      const drifted = { fwhmRatio: ratio(n), fwhm: 2.6 * ratio(n), temperature: 17 - 0.2 * n };
      return ratio(n) > 1.2
        ? badFrame(
            n,
            'doubt',
            { code: 'soft', value: ratio(n), limit: 1.2, text: 'Stars are wider: out of focus.' },
            drifted,
          )
        : goodFrame(n, drifted);
    });
    const data = goodNight(goodRun(40, { frames }));
    const first = frames.find(({ verdict }) => verdict === 'doubt')!;
    const at = new Intl.DateTimeFormat('en-GB', {
      ...{ timeZone: site.zone, hour: '2-digit', minute: '2-digit', second: '2-digit', hourCycle: 'h23' },
    }).format(new Date(first.takenAt!));
    const told = tell(data);
    expect(told.matters.join(' ')).toContain(`Focus went soft from ${at}`);
    const page = reportPage(data);
    expect(page).toContain('Star width, fwhm');
    expect(page).toContain('Sensor temperature');
    expect(page).toMatch(new RegExp(`href="#[^"]*${first.id}"`)); // the point in the plot leads to the frame
  });
});
