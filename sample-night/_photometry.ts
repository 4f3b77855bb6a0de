import { plateScale, radToDeg } from '../src/core/index.js';
import type { NightScenario } from './night-scenario.js';

/** Air passed through, in airmasses, from the sine of the apparent altitude. @source F. Kasten & A. T. Young, Applied Optics 28 (1989) 4735. */
export function airPath(sineOfAltitude: number): number {
  const altitude = Math.max(-0.5, radToDeg(Math.asin(Math.min(1, Math.max(-1, sineOfAltitude)))));
  return 1 / (Math.max(0, sineOfAltitude) + 0.50572 * (altitude + 6.07995) ** -1.6364);
}

/** Electrons per second that a neutral star of magnitude 0 gives a green pixel's kind on this camera. @source V band: 3640 Jy at 0 mag (M. S. Bessell, PASP 91 (1979) 589) = 1000 photons/s/cm^2/angstrom, 890 angstrom wide. */
export function electronsPerSecond(scenario: NightScenario): number {
  const aperture = scenario.lens.focalLengthMm / scenario.lens.fNumber / 10;
  return 1000 * 890 * (Math.PI / 4) * aperture * aperture * scenario.camera.efficiency;
}

/** Electrons per second and pixel on the axis of a natural zenith sky. */
export function naturalSky(scenario: NightScenario): number {
  const scale = plateScale(scenario.camera.pixelPitchUm, scenario.lens.focalLengthMm);
  return electronsPerSecond(scenario) * 10 ** (-0.4 * scenario.sky.brightness) * scale * scale;
}
