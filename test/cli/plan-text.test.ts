import { describe, expect, it } from 'vitest';
import { planText } from '../../src/cli/_plan-text.js';
import { wrap } from '../../src/cli/_wrap.js';
import { type Plan, planFacts } from '../../src/sky/index.js';

const SITE = { latitude: -30.62, longitude: 25.13, zone: 'Africa/Johannesburg' };
const FULL: Plan = {
  ...{ site: SITE, night: '2026-07-22', target: 'core', frames: 120, shutter: 15, iso: 3200, fNumber: 2.8 },
  ...{ focalLengthMm: 14, pixelPitchUm: 3.9, sensorWidthMm: 23.5, sensorHeightMm: 15.6 },
  ...{ skyBrightness: 21.7, skySource: 'your meter' },
};

const said = (plan: Plan, everyAltitude = false) =>
  planText(
    {
      plan: {
        id: 'p1',
        night: plan.night,
        ...(plan.shutter === undefined ? {} : { exposureTime: plan.shutter }),
      },
      facts: planFacts(plan, { season: true, sensor: { readNoise: 3, fullWell: 20_000 } }),
    },
    { everyAltitude },
  );

describe('planText', () => {
  const text = said(FULL);

  it('fits a terminal of 80 columns and leaves no hole', () => {
    for (const line of text.split('\n')) expect(line.length, line).toBeLessThanOrEqual(80);
    expect(text).not.toMatch(/NaN|undefined|Infinity|unknown/);
  });

  it('tells twilights, moon, target by the hour, arch, corners, run, exposure and the year', () => {
    const flat = text.replace(/\s+/g, ' ');
    for (const part of [
      /sunset \d\d:\d\d, civil dusk \d\d:\d\d, nautical dusk \d\d:\d\d/,
      /brightens the sky at the\s+target by up to \d\.\d mag/,
      /^22:00 +\d+ deg +\d+ deg [NESW]+ +\d\.\d/m,
      /the Milky Way\s+(runs|is outside)/,
      /as planned +15 s +\d\.\d px +\d\.\d px/,
      /GB\s+on\s+the\s+card/,
      /read noise adds/,
      /^best nights +usable +dark +moon lit$/m,
      /^2027-0[67]-\d\d +\d+\.\d h/m,
      /^2026-12 .* no$/m,
    ]) {
      expect(part.multiline ? text : flat).toMatch(part);
    }
    expect(said(FULL, true)).toMatch(/^22:10 /m);
  });

  it('says of a summer without night and of a target that never rises what they are', () => {
    const north = { name: 'Far Point', latitude: 69.6, longitude: 18.9, zone: 'Europe/Oslo' };
    const summer = said({ site: north, night: '2026-06-21', target: 'core' });
    expect(summer).toMatch(/never rises at this latitude/);
    expect(summer).toMatch(/No window/);
    expect(summer).not.toMatch(/NaN|undefined|Infinity|rises never/);
    expect(said({ site: north, night: '2026-11-12', target: 'arch' })).toMatch(/its summit stands\s+highest/);
  });
});

describe('wrap', () => {
  it('breaks at blanks, indents what follows, and keeps every word', () => {
    const lines = wrap('moon      ', 'one two three four five six', 22).split('\n');
    expect(lines).toEqual(['moon      one two', '          three four', '          five six']);
    expect(wrap('', `a ${'b'.repeat(30)} c`, 10)).toBe(`a\n${'b'.repeat(30)}\nc`);
  });
});
