import { plateScale } from '../core/index.js';
import { known } from './_facts-text.js';
import { type Framing, frameTrails } from './framing.js';
import { PLAN_DEFAULTS, type Plan, type PlanCamera } from './plan.js';
import type { ShutterFacts } from './plan-facts-types.js';
import { longestExposure, npfFull, npfSimple, realShutter, rule500, trailLength } from './shutter.js';

/**
 * The shutter part of a plan's facts.
 * @param declination of date, deg, that the limits are for
 * @param framing the frame aimed at the target; absent when it is never up or the lens is unknown
 */
export function shutterFacts(
  plan: Plan,
  camera: PlanCamera,
  { declination, framing }: { readonly declination: number; readonly framing: Framing | undefined },
): ShutterFacts {
  const { focalLengthMm, fNumber, shutter } = plan;
  const { pixelPitchUm } = camera;
  const tolerance = plan.trailTolerance ?? PLAN_DEFAULTS.trailTolerance;
  const lens =
    focalLengthMm === undefined || pixelPitchUm === undefined ? undefined : { focalLengthMm, pixelPitchUm };
  const optics = lens === undefined || fNumber === undefined ? undefined : { ...lens, fNumber };
  const limits = {
    rule500: focalLengthMm === undefined ? undefined : rule500(focalLengthMm, camera.crop),
    npfSimple: optics === undefined ? undefined : npfSimple(optics),
    npfFull: optics === undefined ? undefined : npfFull(optics, declination, 1),
    npfFull2: optics === undefined ? undefined : npfFull(optics, declination, 2),
  };
  const real = shutter === undefined ? undefined : realShutter(shutter);
  const trail = (exposureTime: number | undefined): number | undefined =>
    lens === undefined || exposureTime === undefined
      ? undefined
      : trailLength({ ...lens, declination, exposureTime });
  const cornerRate =
    framing === undefined || pixelPitchUm === undefined
      ? undefined
      : frameTrails(framing, { latitude: plan.site.latitude, exposureTime: 1, pixelPitchUm }).worst;
  const corner = (exposureTime: number | undefined): number | undefined =>
    cornerRate === undefined || exposureTime === undefined ? undefined : cornerRate * exposureTime;
  return known<ShutterFacts>({
    ...limits,
    trailAtPlanned: trail(shutter),
    longestForTolerance:
      lens === undefined ? undefined : longestExposure({ ...lens, declination, tolerance }),
    tolerance,
    declination,
    plateScale: lens === undefined ? undefined : plateScale(lens.pixelPitchUm, lens.focalLengthMm),
    realShutter: real,
    trailAtReal: trail(real),
    trailAtRule500: trail(limits.rule500),
    trailAtNpfSimple: trail(limits.npfSimple),
    trailAtNpfFull: trail(limits.npfFull),
    trailAtNpfFull2: trail(limits.npfFull2),
    cornerTrailAtPlanned: corner(shutter),
    cornerTrailAtRule500: corner(limits.rule500),
    cornerTrailAtNpfSimple: corner(limits.npfSimple),
    cornerTrailAtNpfFull: corner(limits.npfFull),
    cornerTrailAtNpfFull2: corner(limits.npfFull2),
  });
}
