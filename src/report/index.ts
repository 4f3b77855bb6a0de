export { nextTime } from './advice.js';
export { reportPage } from './page.js';
export { planAndFact } from './plan-and-fact.js';
export * from './plots.js';
export { headline, mainRun, spells, tally, whatMattered } from './summary.js';
export type * from './types.js';
