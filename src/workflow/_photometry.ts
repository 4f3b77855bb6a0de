import { type Alignment, predictedPositions } from '../alignment/index.js';
import { median } from '../core/index.js';
import { type FrameRecord, framePath } from '../library/index.js';
import { airmass } from '../sky/index.js';
import { altitudeAt, zenithInCamera } from '../verdicts/index.js';
import { type FirstLook, type RunWork, usable } from './_measure-work.js';
import type { MeasureResult, PhotometryTask } from './measure-worker.js';

export async function photometryOf(
  work: RunWork,
  sound: readonly FrameRecord[],
  measured: readonly (MeasureResult | undefined)[],
  alignment: Alignment,
  first: FirstLook,
) {
  const { context, library, pool } = work;
  const { trackCount } = alignment;
  const flux = new Float32Array(sound.length * trackCount).fill(Number.NaN);
  const xs = new Float32Array(sound.length * trackCount).fill(Number.NaN);
  const ys = new Float32Array(sound.length * trackCount).fill(Number.NaN);
  if (trackCount === 0) return { trackCount, flux, x: xs, y: ys };
  let done = 0;
  await Promise.all(
    sound.map(async (record, i) => {
      const measurement = measured[i]?.measurement;
      if (measurement && alignment.frames[i]?.status === 'fitted') {
        const { x, y } = predictedPositions(alignment, i);
        const found = await usable(
          pool.run<Float32Array>(
            'photometry',
            {
              path: framePath(library, record),
              mask: first.mask,
              defects: first.defects,
              x: Float32Array.from(x),
              y: Float32Array.from(y),
              fwhm: measurement.fwhm,
            } satisfies PhotometryTask,
            { signal: context.signal },
          ),
        );
        if (found) flux.set(found, i * trackCount);
        xs.set(x, i * trackCount);
        ys.set(y, i * trackCount);
      }
      context.progress({
        task: 'weighing the light of each star',
        done: ++done,
        total: sound.length,
        unit: 'frames',
      });
    }),
  );
  if (work.sequence.bracketed && measured.some((result) => result?.curved === true)) {
    levelBracket(flux, trackCount, exposures(sound));
  }
  return { trackCount, flux, x: xs, y: ys, ...airmassOf(work, sound, alignment, { x: xs, y: ys }) };
}

export const exposures = (sound: readonly FrameRecord[]): (number | undefined)[] =>
  sound.map((record) => record.header.exposureTime);

/**
 * A camera's JPEG curve is not undone well enough to compare star light between two shutters: within a bracket
 * the fluxes of each shutter are brought to a common level first, so that a longer frame is not taken for a
 * clearer sky. Cloud that lasts for all frames of one shutter cannot be told then.
 */
function levelBracket(
  flux: Float32Array,
  trackCount: number,
  shutters: readonly (number | undefined)[],
): void {
  const levelOf = (members: readonly number[]) => {
    const ratios: number[] = [];
    for (let k = 0; k < trackCount; k++) {
      const all = shutters.map((_, i) => flux[i * trackCount + k]! / (shutters[i] ?? 1));
      const own = members.map((i) => all[i]!);
      ratios.push(median(own) / median(all));
    }
    return median(ratios);
  };
  for (const shutter of new Set(shutters)) {
    const members = shutters.flatMap((other, i) => (other === shutter ? [i] : []));
    const level = levelOf(members);
    if (!(level > 0)) continue;
    for (const i of members) {
      for (let k = 0; k < trackCount; k++) flux[i * trackCount + k]! /= level;
    }
  }
}

/** Air mass at every predicted place, where pole and latitude tell where the zenith is. */
function airmassOf(
  work: RunWork,
  sound: readonly FrameRecord[],
  alignment: Alignment,
  places: { readonly x: Float32Array; readonly y: Float32Array },
): { readonly airmass?: Float32Array } {
  const latitude = work.session.site?.latitude;
  if (latitude === undefined) return {};
  const zenith = zenithInCamera(alignment, { latitude, orientation: sound[0]!.header.orientation });
  if (!zenith) return {};
  return {
    airmass: places.x.map((x, i) => airmass(altitudeAt(alignment, zenith, x, places.y[i]!)) ?? Number.NaN),
  };
}
