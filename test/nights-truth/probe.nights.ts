import { it } from 'vitest';
import { measureTransparency } from '../../src/verdicts/transparency.js';
import { median } from '../../src/core/index.js';
import { buildNight } from '../support/synthetic-sky.js';
import { judgeMosaics } from './_from-mosaics.js';
const small = { width: 900, height: 600, frames: 16 };
it('probe', () => {
  for (const sc of [
    buildNight({ ...small, name: 'moonrise', seed: 311, start: '2026-09-02T21:20:00Z', focalLengthMm: 20, exposureTime: 15, cadence: 130, aim: { azimuth: 95, altitude: 25 }, land: { kind: 'mountains', skyline: 8, trees: 3 } }),
    buildNight({ ...small, name: 'dawn', seed: 321, start: '2026-08-13T03:15:00Z', focalLengthMm: 18, exposureTime: 15, cadence: 150, aim: { azimuth: 70, altitude: 22 }, land: { kind: 'hills', skyline: 6, trees: 6 } }),
  ]) {
    const run = judgeMosaics(sc);
    const { photometry, frames, alignment } = run.input;
    const T = photometry.trackCount;
    const tr = measureTransparency(photometry, { width: alignment.width, height: alignment.height, exposures: frames.map((f) => f.exposureTime!) });
    console.log(sc.name, 'tracks', T, 'airmass', photometry.airmass !== undefined);
    const order = [...tr.expected.keys()].filter((k) => tr.expected[k]! > 0).sort((a, b) => tr.expected[b]! - tr.expected[a]!);
    const groups = [order.slice(0, order.length / 4), order.slice(order.length / 4, order.length / 2), order.slice(order.length / 2)];
    frames.forEach((f, i) => {
      const r = (ks: number[]) => median(ks.map((k) => photometry.flux[i * T + k]! / f.exposureTime! / tr.expected[k]!).filter(Number.isFinite));
      const air = photometry.airmass ? median(order.map((k) => photometry.airmass![i * T + k]!).filter(Number.isFinite)) : NaN;
      console.log(i, 'bg', f.measurement!.background.toFixed(0), 'fwhm', f.measurement!.fwhm.toFixed(2), 'sun', f.sunAltitude!.toFixed(1), 'moon', f.moonAltitude!.toFixed(1), 'air', air.toFixed(2), 'groups', groups.map((g) => r(g).toFixed(3)).join(' '), 'T', tr.frame[i]!.toFixed(3), run.lights[i]!.truth.verdict, run.judgement.frames[i]!.verdict, run.judgement.frames[i]!.reasons.map((x) => x.code + x.value).join(','), 'n', frames[i]!.measurement!.stars.count, 'exp', median(order.map((k) => tr.expected[k]!)).toFixed(1));
    });
  }
}, 600_000);
