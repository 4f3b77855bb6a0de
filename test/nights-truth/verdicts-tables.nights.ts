import { describe, expect, it } from 'vitest';
import { randomNight } from '../support/synthetic-sky.js';
import { judgeTables } from '../verdicts/_from-tables.js';
import { count, type Tally, tally, tell, toldOf } from './_tally.js';

// Limits were chosen on seeds 1 to 14; 101 up are for reporting only.
const FIRST = Number(process.env.NIGHTCAIRN_FIRST_SEED ?? 101);

/** Light that only pixels show: tables carry no sky or land level. */
const needsPixels = (reasons: readonly string[]) => reasons.includes('glare') || reasons.includes('twilight');

describe('verdicts from star tables', () => {
  it('agrees with the truth of 24 random nights', () => {
    const runs: Tally[] = [];
    for (let seed = FIRST; seed < FIRST + count(24); seed++) {
      const run = judgeTables(randomNight(seed, { width: 1000, frames: 24 }));
      tell(run);
      runs.push(toldOf(run, needsPixels));
    }
    const all = tally(runs);
    console.log(all.text);
    expect(all.rightShare, all.text).toBeGreaterThanOrEqual(0.98); // the scale's own bound
    expect(all.clearDropped, all.text).toBe(0);
    expect(all.doubtRecall, all.text).toBeGreaterThanOrEqual(0.8); // the scale's own bound
    expect(all.falseDew, all.text).toEqual([]);
    for (const off of all.dew) expect(off, all.text).toBeLessThanOrEqual(3); // frames, the scale's own bound
  });
});
