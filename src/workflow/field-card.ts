import { mkdir } from 'node:fs/promises';
import { dirname, join, resolve } from 'node:path';
import { InputError } from '../core/index.js';
import { findPlan, openLibrary, safeName, storageError, toPlanJson } from '../library/index.js';
import { type FieldCard, fieldCardPage } from '../report/index.js';
import { moonPosition, planFacts } from '../sky/index.js';
import { present } from './_present.js';
import { writeWhole } from './_run-folder.js';
import { skyOverhead } from './_sky-overhead.js';
import type { WorkflowContext } from './context.js';
import { planOf } from './plan.js';

/** Folder of the library that field cards go to; they can be made again at any time. */
const CARDS = 'plans';

/**
 * Writes the field card of a plan: one page to print and take along.
 *
 * @param options `out`: another file to write
 * @returns absolute path of the page, and what it shows
 * @throws {InputError} UNKNOWN_ID; VALUE_NOT_UNDERSTOOD when the plan has no place
 * @throws {StorageError} when the page cannot be written
 */
export async function writeFieldCard(
  context: WorkflowContext,
  id: string,
  options: { readonly out?: string } = {},
): Promise<{
  readonly plan: ReturnType<typeof toPlanJson>;
  readonly path: string;
  readonly card: FieldCard;
}> {
  const library = openLibrary(context.libraryDir, { mode: 'read' });
  try {
    const record = findPlan(library, id);
    const plan = planOf(library, record);
    if (!plan) {
      throw new InputError(
        'VALUE_NOT_UNDERSTOOD',
        `Expected plan ${record.id} to have a place but it has none; give its site a position with "site add".`,
      );
    }
    const facts = planFacts(plan);
    const { site } = plan;
    const card: FieldCard = present({
      plan: present({
        id: record.id,
        night: plan.night,
        siteName: site.name ?? 'a place without name',
        zone: site.zone,
        latitude: site.latitude,
        longitude: site.longitude,
        focalLengthMm: plan.focalLengthMm,
        fNumber: plan.fNumber,
        iso: plan.iso,
        exposureTime: plan.shutter,
        frames: plan.frames,
        notes: plan.notes,
      }),
      facts,
      sky: skyOverhead(site, plan.target, bestInstant(facts)),
      moon: facts.target.altitudes.map(({ time }) => ({
        time,
        altitude: moonPosition(new Date(time), site).altitude,
      })),
    });
    const path = options.out
      ? resolve(options.out)
      : join(resolve(context.libraryDir), CARDS, safeName(`${record.id}.html`));
    try {
      await mkdir(dirname(path), { recursive: true });
      await writeWhole(path, fieldCardPage(card));
    } catch (error) {
      const code = (error as { code?: unknown }).code;
      throw typeof code === 'string' ? storageError(error, path, 'write the field card') : error;
    }
    return { plan: toPlanJson(library, record), path, card };
  } finally {
    library.close();
  }
}

/** The middle of the window, else when the target stands highest, else the darkest moment. */
function bestInstant(facts: FieldCard['facts']): Date {
  const { start, end } = facts.window;
  if (start && end) return new Date((Date.parse(start) + Date.parse(end)) / 2);
  const rows = [...facts.target.altitudes].sort((a, b) => b.altitude - a.altitude);
  return new Date(rows[0] && rows[0].altitude > 0 ? rows[0].time : facts.darkness.darkest);
}
