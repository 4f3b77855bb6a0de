import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import {
  alignmentOf,
  framesOf,
  openLibrary,
  saveAlignment,
  saveMeasurements,
  sequencesOf,
} from '../../src/library/index.js';
import { HIDDEN_SITE } from '../../src/report/index.js';
import { amend } from '../../src/workflow/amend.js';
import { chooseRole } from '../../src/workflow/decide.js';
import { followUp } from '../../src/workflow/follow.js';
import { importCard } from '../../src/workflow/import.js';
import { writeReport } from '../../src/workflow/report.js';
import { makeCard, scratch } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const ID = '2026-08-13-sandpiper-flat';

/** A night of four lights that was measured, as the catalogue holds it. */
async function measured({ aligned = true } = {}) {
  const base = scratch();
  const dir = join(base, 'library');
  const card = join(base, 'card');
  makeCard(card, 4);
  const context = contextOf(dir);
  await importCard(
    context,
    { card, site: 'Sandpiper Flat', at: { latitude: -31.25, longitude: 20.5 } },
    fakeTools,
  );
  const library = openLibrary(dir, { mode: 'write' });
  try {
    if (aligned) saveAlignment(library, `${ID}/1`, { rms: 0.02 });
    saveMeasurements(
      library,
      framesOf(library, ID).map(({ id }) => ({ frameId: id, verdict: 'keep', starCount: 900, reasons: [] })),
    );
  } finally {
    library.close();
  }
  return { dir, context };
}

describe('followUp', () => {
  it('writes the report that is there again, and only then; a private one stays private', async () => {
    const { dir, context } = await measured({ aligned: false });
    const report = join(dir, 'nights', '2026-08-13 sandpiper-flat', 'report', 'session.json');
    const follow = (skyChanged: boolean) => followUp(context, [ID], { skyChanged, measure: false });
    expect((await follow(false)).reports).toEqual([]);
    expect(existsSync(report)).toBe(false);
    await writeReport(context, ID, { private: true, closeUps: 0 });
    await amend(context, ID, { notes: 'Owl' }, fakeTools);
    expect((await follow(false)).reports).toEqual([report.replace('session.json', 'index.html')]);
    expect(JSON.parse(readFileSync(report, 'utf8')).session.site.name).toBe(HIDDEN_SITE);
    await writeReport(context, ID, { closeUps: 0 });
    const before = JSON.parse(readFileSync(report, 'utf8'));
    const { skyChanged } = await amend(context, ID, { clockOffset: 3600 }, fakeTools);
    await follow(skyChanged);
    const after = JSON.parse(readFileSync(report, 'utf8'));
    expect(after.session.site.name).toBe('Sandpiper Flat');
    expect(Date.parse(after.runs[0].start) - Date.parse(before.runs[0].start)).toBe(3_600_000);
  });

  it('names the measured runs whose sky or frames changed, and no others', async () => {
    const { context } = await measured();
    const left = async (skyChanged: boolean) =>
      (await followUp(context, [ID], { skyChanged, measure: false })).left;
    expect(await left(false)).toEqual([]);
    expect(await left(true)).toEqual([`${ID}/1`]);
    await chooseRole(context, ['NGT_0001.DNG'], 'test', fakeTools);
    expect(await left(false)).toEqual([`${ID}/1`]);
  });

  it('measures those runs again', async () => {
    const { dir, context } = await measured();
    await chooseRole(context, ['NGT_0001.DNG'], 'test', fakeTools);
    // The frames of this card are no pictures, which measuring says of each run.
    const { runs, left } = await followUp(context, [ID], { skyChanged: false, measure: true });
    expect(left).toEqual([]);
    expect(runs.map(({ sequenceId, outcome }) => [sequenceId, outcome])).toEqual([[`${ID}/1`, 'unusable']]);
    const library = openLibrary(dir, { mode: 'read' });
    expect(alignmentOf(library, `${ID}/1`)).toBeUndefined();
    expect(sequencesOf(library, ID)).toHaveLength(2);
    library.close();
  });
});
