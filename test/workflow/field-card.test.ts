import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { writeFieldCard } from '../../src/workflow/field-card.js';
import { newPlan } from '../../src/workflow/plan.js';
import { scratch } from '../library/_card.js';
import { contextOf } from './_fake-intake.js';

const wish = {
  site: 'Sandpiper Flat',
  at: { latitude: -30.62, longitude: 25.13 },
  night: '2026-08-12',
  focalLengthMm: 24,
  fNumber: 2.8,
  shutter: 10,
  frames: 40,
  target: 'core',
};

describe('writeFieldCard', () => {
  it('writes the card among the plans of the library, with the sky of mid-window', async () => {
    const dir = scratch();
    const { plan } = await newPlan(contextOf(dir), wish);
    const { path, card } = await writeFieldCard(contextOf(dir), plan.id);
    expect(path).toBe(join(dir, 'plans', `${plan.id}.html`));
    expect(readFileSync(path, 'utf8')).toContain('Sandpiper Flat');
    const { start, end } = card.facts.window;
    expect(Date.parse(card.sky!.at)).toBe((Date.parse(start!) + Date.parse(end!)) / 2);
    expect(card.moon).toHaveLength(card.facts.target.altitudes.length);
    expect(card.sky!.target?.name).toBe('galactic center');
  });

  it('writes it elsewhere on request, and refuses an unknown plan', async () => {
    const dir = scratch();
    const { plan } = await newPlan(contextOf(dir), wish);
    const out = join(dir, 'deep', 'card.html');
    expect((await writeFieldCard(contextOf(dir), plan.id, { out })).path).toBe(out);
    expect(existsSync(out)).toBe(true);
    await expect(writeFieldCard(contextOf(dir), 'nothing')).rejects.toMatchObject({ code: 'UNKNOWN_ID' });
  });
});
