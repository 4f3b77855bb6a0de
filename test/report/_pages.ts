import { compareNights, fieldCardPage, reportPage, tell } from '../../src/report/index.js';
import { planFacts } from '../../src/sky/index.js';
import { badNight, goodFrame, goodNight, goodRun, nightFacts, site } from './_night.js';

/** A name as a hostile file might carry it: markup, controls, endless. */
const HOSTILE = `"><script>alert(1)</script>&amp;\u0000\u001b[31m<img src=x onerror=alert(2)>${'A'.repeat(10_000)}`;

/** The page of a night beside another. */
export function twoNights(): string {
  const night = goodNight();
  const lines = compareNights(night, badNight());
  return reportPage(night, { ...tell(night), compare: { title: 'The bad night', lines } });
}

/** The page of a night whose files carry hostile words everywhere. */
export const hostileNight = (): string =>
  reportPage(
    goodNight(
      goodRun(3, {
        ...{ camera: HOSTILE, lens: HOSTILE },
        frames: [0, 1, 2].map((n) =>
          goodFrame(n, {
            ...{ name: HOSTILE, verdict: 'drop', remarks: [HOSTILE] },
            reasons: [{ code: 'cloud', value: 0.4, limit: 0.72, text: HOSTILE }],
          }),
        ),
      }),
    ),
  );

/** A field card on which everything is said that can be: a bright moon, notes on every setting, a measured sky. */
export function crowdedCard(): string {
  const facts = planFacts({
    ...{ site, night: '2026-07-22', target: 'core', frames: 200, shutter: 15, iso: 3200, fNumber: 2.8 },
    ...{ focalLengthMm: 14, pixelPitchUm: 3.9, sensorWidthMm: 23.5, sensorHeightMm: 15.6 },
    ...{ skyBrightness: 21.7, skySource: 'your meter' },
  });
  return fieldCardPage({
    plan: {
      ...{ id: 'p2', night: '2026-07-22', siteName: site.name, zone: site.zone },
      ...{ latitude: site.latitude, longitude: site.longitude, notes: 'Take the second tripod. '.repeat(8) },
      ...{ focalLengthMm: 14, fNumber: 2.8, iso: 3200, exposureTime: 15, frames: 200 },
    },
    facts,
    sky: { at: '2026-07-22T21:08:00.000Z', stars: [[0, 0, 1]], arch: [] },
    moon: facts.target.altitudes.map(({ time }) => ({ time, altitude: 20 })),
  });
}

/** A field card with all its parts. */
export const fieldCard = (): string =>
  fieldCardPage({
    plan: {
      ...{ id: 'p1', night: '2026-08-12', siteName: site.name, zone: site.zone },
      ...{ latitude: site.latitude, longitude: site.longitude, notes: 'Upright over the mast.' },
      ...{ focalLengthMm: 24, fNumber: 2.8, iso: 3200, exposureTime: 10, frames: 40 },
    },
    facts: nightFacts(),
    sky: {
      ...{ at: '2026-08-12T21:08:00.000Z', stars: [[0, 0, 1]] },
      arch: [
        [
          [0, -1],
          [0, 1],
        ],
      ],
      target: { name: 'galactic center', place: [0.1, 0.2] },
    },
    moon: nightFacts().target.altitudes.map(({ time }) => ({ time, altitude: -20 })),
  });
