import type { NightScenario } from './night-scenario.js';
import { sampleScenario } from './scenario.js';

/** All named nights, each from a seed (or its own default seed). */
export const SCENARIOS: Readonly<Record<string, (seed?: number) => NightScenario>> = {
  sample: sampleScenario,
};
