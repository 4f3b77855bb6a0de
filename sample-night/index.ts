/** The simulator and the demo night, for the demo, the tests and the benchmarks. */
export { type Aim, buildNight, CORE, type Happening, type NightOptions } from './build-night.js';
export { cardFiles, type FrameTruthOnCard, type MadeCard, makeCard, planArguments } from './make-card.js';
export * from './night-scenario.js';
export { type RandomNightOptions, randomNight, TROUBLES, type Trouble } from './random-night.js';
export { sampleScenario } from './scenario.js';
export { SCENARIOS } from './scenarios.js';
export {
  frameRotation,
  headerOf,
  type SimulatedFrame,
  type SimulatedNight,
  type SmoothSky,
  simulateNight,
  type TrueStars,
} from './sky-scene.js';
export { keepStars, type SimulatedStars, type StarTableOptions } from './star-table.js';
export type { EventTruth, FrameTruth, MappingTruth, NightTruth, SequenceTruth } from './truth.js';
