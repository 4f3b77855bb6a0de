import { InputError } from '../core/index.js';
import {
  findPlan,
  type Library,
  openLibrary,
  type PlanRecord,
  plans,
  savePlan,
  saveSite,
  siteById,
  siteNamed,
  toPlanJson,
} from '../library/index.js';
import { type Plan, type PlanFacts, planFacts, zoneAt } from '../sky/index.js';
import type { WorkflowContext } from './context.js';

/** What `plan new` takes; DEVELOPERS.md, "Command line". */
export interface PlanRequest {
  readonly site?: string;
  readonly at?: { readonly latitude: number; readonly longitude: number };
  readonly zone?: string;
  readonly night: string;
  readonly focalLengthMm?: number;
  readonly crop?: number;
  readonly pixelPitchUm?: number;
  readonly fNumber?: number;
  readonly iso?: number;
  /** s */
  readonly shutter?: number;
  readonly frames?: number;
  readonly target?: string;
  readonly notes?: string;
}

/** A stored plan with all that was worked out from it. */
export interface PlanView {
  readonly plan: ReturnType<typeof toPlanJson>;
  readonly facts: PlanFacts;
}

/** The plan as the sky folder reads it; undefined when its place is unknown. */
export function planOf(library: Library, record: PlanRecord): Plan | undefined {
  const site = record.siteId === undefined ? undefined : siteById(library, record.siteId);
  const latitude = record.latitude ?? site?.latitude;
  const longitude = record.longitude ?? site?.longitude;
  if (latitude === undefined || longitude === undefined) return undefined;
  const optional = {
    focalLengthMm: record.focalLengthMm,
    crop: record.crop,
    pixelPitchUm: record.pixelPitchUm,
    fNumber: record.fNumber,
    iso: record.iso,
    shutter: record.exposureTime,
    frames: record.frames,
    notes: record.notes,
    skyBrightness: site?.skyBrightness,
  };
  return {
    site: {
      ...(site === undefined ? {} : { name: site.name }),
      latitude,
      longitude,
      zone: record.zone ?? site?.zone ?? zoneAt(latitude, longitude),
    },
    night: record.night,
    target: record.target ?? 'core',
    ...Object.fromEntries(Object.entries(optional).filter(([, value]) => value !== undefined)),
  };
}

function view(library: Library, record: PlanRecord): PlanView {
  const plan = planOf(library, record);
  if (!plan) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected plan ${record.id} to have a place but it has none; give its site a position with "site add".`,
    );
  }
  return { plan: toPlanJson(library, record), facts: planFacts(plan) };
}

/**
 * Writes a plan. A place given with `at` makes the site when its name is new; repeating it is no error.
 * @throws {InputError} when the site is unknown and no position was given, or any value is impossible
 */
export function newPlan(context: WorkflowContext, request: PlanRequest): PlanView {
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  try {
    const site = placeOf(library, request);
    const candidate: Omit<PlanRecord, 'id'> = {
      night: request.night,
      ...site,
      ...(request.focalLengthMm === undefined ? {} : { focalLengthMm: request.focalLengthMm }),
      ...(request.crop === undefined ? {} : { crop: request.crop }),
      ...(request.pixelPitchUm === undefined ? {} : { pixelPitchUm: request.pixelPitchUm }),
      ...(request.fNumber === undefined ? {} : { fNumber: request.fNumber }),
      ...(request.iso === undefined ? {} : { iso: request.iso }),
      ...(request.shutter === undefined ? {} : { exposureTime: request.shutter }),
      ...(request.frames === undefined ? {} : { frames: request.frames }),
      target: request.target ?? 'core',
      ...(request.notes === undefined ? {} : { notes: request.notes }),
    };
    // Work it out before it is stored, so that an impossible plan leaves nothing behind.
    const plan = planOf(library, { id: 'new', ...candidate });
    if (plan) planFacts(plan);
    return view(library, savePlan(library, candidate));
  } finally {
    library.close();
  }
}

function placeOf(library: Library, request: PlanRequest): Partial<PlanRecord> {
  const { site: name, at, zone } = request;
  const stored = name === undefined ? undefined : siteNamed(library, name);
  if (name !== undefined && at !== undefined) {
    const saved = saveSite(library, {
      ...stored,
      name,
      latitude: at.latitude,
      longitude: at.longitude,
      zone: zone ?? stored?.zone ?? zoneAt(at.latitude, at.longitude),
    });
    return { siteId: saved.id };
  }
  if (stored) return { siteId: stored.id, ...(zone === undefined ? {} : { zone }) };
  if (name !== undefined) {
    throw new InputError(
      'UNKNOWN_ID',
      `Expected a site of the library but there is none called "${name}"; add its position with --at LAT,LON.`,
    );
  }
  if (at !== undefined) {
    return {
      latitude: at.latitude,
      longitude: at.longitude,
      zone: zone ?? zoneAt(at.latitude, at.longitude),
    };
  }
  throw new InputError('USAGE', 'Expected a place for the plan: give --site NAME, --at LAT,LON, or both.');
}

/** All plans, newest night first. */
export function listPlans(context: WorkflowContext): ReturnType<typeof toPlanJson>[] {
  const library = openLibrary(context.libraryDir, { mode: 'read' });
  try {
    return plans(library).map((record) => toPlanJson(library, record));
  } finally {
    library.close();
  }
}

/** One plan with all that is worked out from it. @throws {InputError} UNKNOWN_ID */
export function showPlan(context: WorkflowContext, id: string): PlanView {
  const library = openLibrary(context.libraryDir, { mode: 'read' });
  try {
    return view(library, findPlan(library, id));
  } finally {
    library.close();
  }
}
