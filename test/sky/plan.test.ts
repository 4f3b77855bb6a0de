import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  BRIGHT_OBJECTS,
  checkPlan,
  type Plan,
  parseTarget,
  planCamera,
  planFacts,
} from '../../src/sky/index.js';

const plan: Plan = {
  site: { name: 'sandpiper flat', latitude: 28.76, longitude: -17.88, zone: 'Atlantic/Canary' },
  night: '2026-06-14',
  target: 'core',
  focalLengthMm: 18,
  crop: 1.6,
  pixelPitchUm: 4.3,
  fNumber: 3.5,
  iso: 3200,
  shutter: 15,
  frames: 40,
};

/** Every number anywhere inside a value. */
function numbersIn(value: unknown): number[] {
  if (typeof value === 'number') return [value];
  if (Array.isArray(value)) return value.flatMap(numbersIn);
  if (typeof value === 'object' && value !== null) return Object.values(value).flatMap(numbersIn);
  return [];
}

/** Paths of all undefined or null values. */
const holes = (value: unknown): number =>
  JSON.stringify(value, (_, v) => (v === null ? 'HOLE' : v)).split('"HOLE"').length - 1;

describe('planFacts', () => {
  const facts = planFacts(plan);

  it('has every part of the contract', () => {
    expect(facts.shutter).toMatchObject({
      rule500: 500 / (18 * 1.6), // arithmetic, exact
      npfSimple: (35 * 3.5 + 30 * 4.3) / 18,
    });
    for (const key of ['npfFull', 'npfFull2', 'trailAtPlanned', 'longestForTolerance'] as const) {
      expect(facts.shutter[key]).toBeGreaterThan(0);
    }
    // Row A-N-S01, within 1 s.
    const near = (got: string | undefined, wanted: string) =>
      expect(Math.abs(new Date(got!).getTime() - new Date(wanted).getTime())).toBeLessThan(1500); // ms: libraries agree within 1 s
    near(facts.darkness.dusk, '2026-06-14T21:45:10Z');
    near(facts.darkness.dawn, '2026-06-15T04:38:37Z');
    near(facts.darkness.nauticalDusk, '2026-06-14T21:10:25Z');
    near(facts.darkness.civilDawn, '2026-06-15T05:46:01Z');
    near(facts.moon.rise, '2026-06-15T06:13:06Z');
    near(facts.moon.set, '2026-06-14T19:58:36Z');
    near(facts.target.rise, '2026-06-14T20:37:11Z');
    near(facts.target.transit, '2026-06-15T01:25:29Z');
    near(facts.target.set, '2026-06-15T06:13:47Z');
    expect(facts.darkness.hours).toBeCloseTo(413.45 / 60, 2); // 0.005 h
    expect(facts.moon.illumination).toBeCloseTo(0.00178, 4);
    expect(facts.window.hours).toBeCloseTo(413.45 / 60, 2);
    expect(facts.target.name).toBe('galactic center');
  });

  it('gives the altitude every 10 minutes from sunset to sunrise, apparent above geometric', () => {
    const rows = facts.target.altitudes;
    for (let i = 1; i < rows.length; i++) {
      expect(new Date(rows[i]!.time).getTime() - new Date(rows[i - 1]!.time).getTime()).toBe(600_000);
    }
    expect(new Date(rows[0]!.time) <= new Date(facts.darkness.sunset!)).toBe(true);
    expect(new Date(rows.at(-1)!.time) >= new Date(facts.darkness.sunrise!)).toBe(true);
    for (const row of rows) {
      expect(row.apparentAltitude).toBeGreaterThan(row.altitude);
      expect(row.airmass !== undefined).toBe(row.apparentAltitude >= 0);
    }
    // Row A-H-S01-15-01: 31.8993, 173.4169.
    const row = rows.find(({ time }) => time === '2026-06-15T01:00:00.000Z')!;
    expect(row.altitude).toBeCloseTo(31.8993, 2); // 0.005 deg; the promise is 0.05
    expect(row.azimuth).toBeCloseTo(173.4169, 2);
  });

  it('says instants in UTC ending in Z', () => {
    const texts = JSON.stringify(facts).match(/"\d{4}-\d{2}-\d{2}T[^"]*"/g)!;
    expect(texts.length).toBeGreaterThan(50);
    for (const text of texts) expect(text).toMatch(/^"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z"$/);
  });

  it('tells the corner trail by the true turning of the sky: longer than in the middle, within the bound', () => {
    const { trailAtPlanned, cornerTrailAtPlanned } = facts.shutter;
    expect(cornerTrailAtPlanned!).toBeGreaterThan(trailAtPlanned!);
    // Worst case: the celestial equator in the corner, all along the radius: 1/cos^2 of 32 deg.
    expect(cornerTrailAtPlanned!).toBeLessThan((trailAtPlanned! / Math.cos((29 * Math.PI) / 180)) * 1.565);
  });

  it('names what the rules miss: a 500-rule shutter trails on a dense sensor (P01)', () => {
    expect(facts.shutter.trailAtRule500!).toBeGreaterThan(4);
    expect(facts.notes.join(' ')).toMatch(
      /At 15 s stars trail 4\.0 px, more than the 2 px accepted; 7\.5 s would hold it\./,
    );
    expect(facts.notes.join(' ')).toMatch(/Many bodies expose 16 s when set to 15 s\./);
  });

  it('leaves out what is not known instead of writing zeros', () => {
    const bare = planFacts({ site: plan.site, night: plan.night, target: 'core' });
    expect(Object.keys(bare.shutter).sort()).toEqual(['declination', 'tolerance']);
    expect(bare.run).toBeUndefined();
    expect(bare.arch).toBeUndefined();
    expect(bare.sky).toEqual({});
    expect(bare.notes).toContain('Trails in px need the focal length and the pixel pitch.');
    expect(holes(bare)).toBe(0);
  });

  it('suggests what is missing, with the reason', () => {
    const { shutter: _, iso: __, frames: ___, ...rest } = plan;
    const { suggestions, shutter } = planFacts(rest);
    expect(suggestions.map(({ field }) => field)).toEqual(['shutter', 'iso', 'frames']);
    const suggested = suggestions[0]!.value;
    expect(suggested).toBe(6); // the longest label within 7.49 s
    expect(suggested).toBeLessThanOrEqual(shutter.longestForTolerance!);
    for (const { reason } of suggestions) expect(reason.length).toBeGreaterThan(20);
    // The run is worked out with what was suggested, and says so.
    const { run } = planFacts(rest);
    expect(run).toMatchObject({ suggested: true, exposureTime: suggested, frames: suggestions[2]!.value });
    expect(facts.run!.suggested).toBeUndefined();
    expect(facts.suggestions).toEqual([]);
  });

  it('has no limit for a target at the pole', () => {
    const { shutter } = planFacts({ ...plan, target: '0,90' });
    expect(shutter.trailAtPlanned!).toBeLessThan(0.02); // the pole of J2000 is 0.15 deg from today's
    expect(numbersIn(shutter).every(Number.isFinite)).toBe(true);
  });

  it('says in one sentence what a night without darkness, without target or under the moon is', () => {
    const tromso = { latitude: 69.6492, longitude: 18.9553, zone: 'Europe/Oslo' };
    const summer = planFacts({ ...plan, site: tromso, night: '2026-06-21' });
    expect(summer.darkness).toMatchObject({ hours: 0, state: 'always-above' });
    expect(summer.darkness.dusk).toBeUndefined();
    expect(summer.darkness.text).toMatch(/^The sun does not set/);
    expect(summer.target.state).toBe('never-up');
    expect(summer.window).toMatchObject({
      hours: 0,
      intervals: [],
      text: 'No window: it does not get dark in this night.',
    });
    const winter = planFacts({ ...plan, site: tromso, night: '2026-12-21' });
    expect(winter.darkness.text).toMatch(/^Polar night, with 13\.5 h of full darkness\.$/);
    expect(winter.darkness.sunset).toBeUndefined();
    expect(winter.notes).toContain('The galactic center does not rise at this latitude.');
    const full = planFacts({
      ...plan,
      site: { latitude: -25.3444, longitude: 131.0369, zone: 'Australia/Darwin' },
      night: '2026-07-29',
    });
    expect(full.window.text).toBe(
      'No window: the moon lights the sky whenever the target is up and it is dark.',
    );
    expect(full.moon.maxBrightening!).toBeGreaterThan(3); // full moon 20 deg from the core: K&S gives 3 to 5 mag
    const pole = planFacts({
      ...plan,
      site: { latitude: -89.99, longitude: 0, zone: 'UTC' },
      night: '2026-06-21',
    });
    expect(pole.darkness).toMatchObject({ state: 'always-below', hours: 24 });
    expect(pole.target.state).toBe('always-up');
  });

  it('takes the arch without a position and judges its trail at the equator', () => {
    const arch = planFacts({ ...plan, target: 'arch' });
    expect(arch.target.rightAscension).toBeUndefined();
    expect(arch.target.rise).toBeUndefined();
    expect(arch.shutter.declination).toBe(0);
    expect(arch.target.altitudes.every(({ altitude }) => altitude >= 0 && altitude <= 90)).toBe(true);
    expect(arch.arch!.start).toBe(arch.window.start);
  });

  it('names the sky by each table and whose it is', () => {
    const { sky } = planFacts({ ...plan, skyBrightness: 21.6, skySource: 'own meter' });
    expect(sky).toMatchObject({ brightness: 21.6, class: '4' });
    expect(sky.source).toMatch(/^own meter/);
    expect(sky.classes!.map((one) => one.class)).toEqual(['4', '2', '2']);
  });

  it('reckons the exposure once a sensor was measured', () => {
    expect(facts.exposure).toBeUndefined();
    const { exposure } = planFacts(plan, { sensor: { readNoise: 4, fullWell: 8000 } });
    expect(exposure!.skyElectrons).toBeGreaterThan(1);
    expect(exposure!.clippingMagnitude!).toBeLessThan(8);
  });

  it('never lets NaN, Infinity, null or undefined out, wherever and whenever', () => {
    fc.assert(
      fc.property(
        fc.record({
          latitude: fc.oneof(
            fc.double({ min: -90, max: 90, noNaN: true }),
            fc.constantFrom(-90, 90, 0, 66.56),
          ),
          longitude: fc.oneof(fc.double({ min: -180, max: 180, noNaN: true }), fc.constantFrom(-180, 180, 0)),
          zone: fc.constantFrom('UTC', 'Pacific/Kiritimati', 'Australia/Lord_Howe', 'America/Anchorage'),
          day: fc.integer({ min: 0, max: 3650 }),
          target: fc.constantFrom('core', 'arch', 'Polaris', 'm31', '0,90', '359.9,-90', 'Sirius'),
          focalLengthMm: fc.option(fc.double({ min: 4, max: 400, noNaN: true }), { nil: undefined }),
          shutter: fc.constantFrom(0.5, 8, 30, 240),
        }),
        ({ latitude, longitude, zone, day, target, focalLengthMm, shutter }) => {
          const got = planFacts({
            site: { latitude, longitude, zone },
            night: new Date(Date.UTC(2025, 0, 1 + day)).toISOString().slice(0, 10),
            target,
            ...(focalLengthMm === undefined ? {} : { focalLengthMm }),
            pixelPitchUm: 4,
            fNumber: 2.8,
            shutter,
            frames: 30,
          });
          expect(numbersIn(got).every(Number.isFinite)).toBe(true);
          expect(holes(got)).toBe(0);
          expect(got.darkness.hours).toBeLessThanOrEqual(25);
          expect(got.window.hours).toBeLessThanOrEqual(got.darkness.hours + 1e-6);
        },
      ),
      { numRuns: Number(process.env.NIGHTCAIRN_FULL === '1' ? 600 : 25), seed: 11 },
    );
  });
});

describe('checkPlan', () => {
  const refuse = (change: Partial<Plan>, sentence: RegExp): void => {
    expect(() => checkPlan({ ...plan, ...change })).toThrow(expect.objectContaining({ name: 'InputError' }));
    expect(() => checkPlan({ ...plan, ...change })).toThrow(sentence);
  };
  it('refuses the impossible, each in one sentence', () => {
    refuse({ fNumber: 0 }, /^Expected an f-number from 0\.5 to 128 but received 0\.$/);
    refuse({ focalLengthMm: 0 }, /^Expected a focal length from 1 to 5000 mm but received 0\.$/);
    refuse({ shutter: -3 }, /a shutter/);
    refuse({ frames: 2.5 }, /a whole number of frames/);
    refuse({ iso: Number.NaN }, /an ISO setting .* received NaN/);
    refuse({ night: '2026-02-30' }, /a night as a real date YYYY-MM-DD but received "2026-02-30"/);
    refuse({ night: '9999-12-31' }, /^Expected a night between 1900 and 2199 but received 9999-12-31\.$/);
    refuse({ site: { ...plan.site, latitude: 99 } }, /a latitude from -90 to 90 deg but received 99/);
    refuse({ site: { ...plan.site, zone: 'Mars/Base' } }, /an IANA time zone/);
    refuse({ target: 'the pub' }, /a target as core, arch, the name of a bright object, or RA,DEC/);
    refuse({ skyBrightness: 2 }, /a sky brightness/);
  });
  it('returns a possible plan unchanged', () => expect(checkPlan(plan)).toBe(plan));
});

describe('parseTarget', () => {
  it('knows its own names and aliases in any spelling', () => {
    for (const { name, aliases } of BRIGHT_OBJECTS) {
      for (const text of [name, name.toUpperCase(), name.replaceAll(' ', '-'), ...aliases]) {
        expect(parseTarget(text)).toMatchObject({ kind: 'point', name });
      }
    }
    expect(parseTarget('Core').kind).toBe('core');
    expect(parseTarget('galactic centre').kind).toBe('core');
    expect(parseTarget('ARCH').kind).toBe('arch');
  });
  it('has 40 objects or more and no name twice', () => {
    const names = BRIGHT_OBJECTS.flatMap(({ name, aliases }) => [name, ...aliases]).map((n) =>
      n.toLowerCase(),
    );
    expect(new Set(names).size).toBe(names.length);
    expect(BRIGHT_OBJECTS.length).toBeGreaterThanOrEqual(40);
  });
  it('reads positions in degrees and in hours', () => {
    expect(parseTarget('266.417,-29.008')).toMatchObject({ rightAscension: 266.417, declination: -29.008 });
    for (const text of ['17h45m40s,-29d00m28s', '17:45:40,-29:00:28']) {
      const got = parseTarget(text) as { rightAscension: number; declination: number };
      expect(got.rightAscension).toBeCloseTo(266.416_67, 4); // arithmetic, printed decimals
      expect(got.declination).toBeCloseTo(-29.007_78, 4);
    }
    expect(parseTarget('5h,-0d30m')).toMatchObject({ rightAscension: 75, declination: -0.5 });
  });
  it.each(['', ',', '1,2,3', '17h61m,0', 'abc,def', 'ngc 99999'])('refuses "%s"', (text) => {
    expect(() => parseTarget(text)).toThrow(expect.objectContaining({ code: 'VALUE_NOT_UNDERSTOOD' }));
  });
  it.each(['400,10', '10,91', '-5,0', '25h,0'])('refuses the impossible position %s', (text) => {
    expect(() => parseTarget(text)).toThrow(expect.objectContaining({ code: 'VALUE_OUT_OF_RANGE' }));
  });
});

describe('planCamera', () => {
  it('works out crop, pitch and sensor size from each other', () => {
    expect(planCamera({ ...plan, crop: 1.5 })).toMatchObject({
      crop: 1.5,
      sensorWidthMm: 24,
      sensorHeightMm: 16,
    });
    const { crop: _, pixelPitchUm: __, ...bare } = plan;
    expect(planCamera(bare)).toMatchObject({ crop: 1, cropIsAssumed: true, sensorWidthMm: 36 });
    const measured = planCamera({
      ...bare,
      sensorWidthMm: 22.3,
      sensorHeightMm: 14.9,
      imageWidth: 5184,
      imageHeight: 3456,
    });
    expect(measured.crop).toBeCloseTo(1.613, 3); // 43.267 / 26.820
    expect(measured.pixelPitchUm).toBeCloseTo(4.302, 3); // 22.3 mm / 5184
    expect(measured.cropIsAssumed).toBe(false);
  });
});
