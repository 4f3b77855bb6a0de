/** Truth for tests of other folders: frames, star tables and mappings of simulated nights, without files. */
import {
  buildNight,
  type NightOptions,
  type NightScenario,
  type SimulatedNight,
  simulateNight,
} from '../../sample-night/index.js';
import type { FramePixels } from '../../src/core/index.js';

export {
  buildNight,
  CORE,
  frameRotation,
  type Happening,
  keepStars,
  type NightOptions,
  type NightScenario,
  randomNight,
  SCENARIOS,
  type SimulatedFrame,
  type SimulatedNight,
  type SimulatedStars,
  simulateNight,
  TROUBLES,
  type TrueStars,
} from '../../sample-night/index.js';

let last: { readonly scenario: NightScenario; readonly night: SimulatedNight } | undefined;

/** The pixels of one frame as readers hand them over. The last scenario's stars and sensor are kept for the next call. */
export function simulateFramePixels(scenario: NightScenario, index: number): FramePixels {
  if (last?.scenario !== scenario) last = { scenario, night: simulateNight(scenario) };
  const frame = last.night.frames[index];
  if (frame === undefined) throw new RangeError(`no frame ${index} in scenario ${scenario.name}`);
  return frame.pixels();
}

/**
 * A night that renders in milliseconds: 600 x 400 px, 8 lights, 24 mm on a sensor of which this is the middle
 * (plate scale 129 arcsec/px), so that stars, sky and noise are those of the sample night.
 */
export function smallNight(options: Partial<NightOptions> = {}): NightScenario {
  return buildNight({
    name: 'small',
    seed: 5,
    width: 600,
    height: 400,
    sensorWidthMm: 9,
    frames: 8,
    ...options,
  });
}
