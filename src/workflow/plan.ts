import { InputError } from '../core/index.js';
import {
  bodyName,
  findPlan,
  type Library,
  openLibrary,
  type PlanRecord,
  plans,
  rememberedCamera,
  rememberedNoise,
  savePlan,
  saveSite,
  siteById,
  siteNamed,
  toPlanJson,
} from '../library/index.js';
import {
  type Plan,
  type PlanFacts,
  type Position,
  planFacts,
  type SensorFacts,
  zoneAt,
} from '../sky/index.js';
import { groundLightNote, type LightMapChoice, readPlaceOffMap } from './_light-map.js';
import { present } from './_present.js';
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
  readonly sensorWidthMm?: number;
  readonly sensorHeightMm?: number;
  readonly fNumber?: number;
  readonly iso?: number;
  /** s */
  readonly shutter?: number;
  readonly frames?: number;
  readonly target?: string;
  /** Part of a body's name; its pitch and size are those of earlier nights. */
  readonly camera?: string;
  readonly lens?: string;
  readonly portrait?: boolean;
  /** Trail accepted at the target, px. */
  readonly trailTolerance?: number;
  /** What a meter says, mag/arcsec2. */
  readonly skyBrightness?: number;
  readonly lightMap?: LightMapChoice;
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
    sensorWidthMm: record.sensorWidthMm,
    sensorHeightMm: record.sensorHeightMm,
    fNumber: record.fNumber,
    iso: record.iso,
    shutter: record.exposureTime,
    frames: record.frames,
    notes: record.notes,
    camera: record.camera,
    lens: record.lens,
    imageWidth: record.imageWidth,
    imageHeight: record.imageHeight,
    portrait: record.portrait,
    trailTolerance: record.trailTolerance,
    skyBrightness: record.skyBrightness ?? site?.skyBrightness,
    skySource:
      record.skyBrightness === undefined
        ? site?.skyBrightness === undefined
          ? undefined
          : (site.skySource ?? `what you noted for ${site.name}`)
        : record.skySource,
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
  return {
    plan: toPlanJson(library, record),
    facts: planFacts(plan, { season: true, ...sensorOf(library, record) }),
  };
}

/** The planned body's noise at the planned ISO, where its own frames have told it. */
function sensorOf(library: Library, record: PlanRecord): { sensor?: SensorFacts } {
  if (record.camera === undefined || record.iso === undefined) return {};
  const camera = rememberedCamera(library, record.camera);
  const body = camera && bodyName(camera);
  const noise =
    body === undefined
      ? undefined
      : rememberedNoise<{ readNoise?: number; fullWell?: number }>(library, body, record.iso);
  if (noise?.readNoise === undefined) return {};
  return {
    sensor: {
      readNoise: noise.readNoise,
      ...(noise.fullWell === undefined ? {} : { fullWell: noise.fullWell }),
    },
  };
}

/** The body that a plan means: the one named, else the one last used where the plan says nothing of a sensor. */
function cameraOf(library: Library, request: PlanRequest): Partial<PlanRecord> {
  const said = [request.crop, request.pixelPitchUm, request.sensorWidthMm].some(
    (value) => value !== undefined,
  );
  if (said && request.camera === undefined) return {};
  const known = rememberedCamera(library, request.camera);
  if (!known) return request.camera === undefined ? {} : { camera: request.camera };
  if (said) return { camera: known.camera };
  return present({
    camera: known.camera,
    pixelPitchUm: known.pixelPitchUm,
    imageWidth: known.imageWidth,
    imageHeight: known.imageHeight,
  });
}

/**
 * Writes a plan. A place given with `at` makes the site when its name is new; repeating it is no error.
 * @throws {InputError} when the site is unknown and no position was given, or any value is impossible
 * @throws {FormatError | StorageError} a light map that cannot be read
 */
export async function newPlan(context: WorkflowContext, request: PlanRequest): Promise<PlanView> {
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  try {
    const site = placeOf(library, request);
    const candidate: Omit<PlanRecord, 'id'> = present({
      night: request.night,
      ...site,
      ...cameraOf(library, request),
      ...present({
        lens: request.lens,
        focalLengthMm: request.focalLengthMm,
        crop: request.crop,
        pixelPitchUm: request.pixelPitchUm,
        sensorWidthMm: request.sensorWidthMm,
        sensorHeightMm: request.sensorHeightMm,
        portrait: request.portrait,
        fNumber: request.fNumber,
        iso: request.iso,
        exposureTime: request.shutter,
        frames: request.frames,
        trailTolerance: request.trailTolerance,
        notes: request.notes,
      }),
      target: request.target ?? 'core',
    });
    // Work it out before it is stored, so that an impossible plan leaves nothing behind.
    const plan = planOf(library, { id: 'new', ...candidate });
    if (plan) planFacts(plan);
    const sky = plan && (await skyOf(request, plan.site));
    const saved = view(library, savePlan(library, { ...candidate, ...sky?.record }));
    return sky?.note === undefined
      ? saved
      : { ...saved, facts: { ...saved.facts, notes: [...saved.facts.notes, sky.note] } };
  } finally {
    library.close();
  }
}

/** How dark the sky is by a meter or a map. */
async function skyOf(
  request: PlanRequest,
  place: Position,
): Promise<{ readonly record?: Partial<PlanRecord>; readonly note?: string } | undefined> {
  if (request.skyBrightness !== undefined)
    return { record: { skyBrightness: request.skyBrightness, skySource: 'your meter' } };
  if (request.lightMap === undefined) return undefined;
  const read = await readPlaceOffMap(request.lightMap, place);
  return read.brightness === undefined
    ? { note: groundLightNote(read) }
    : { record: { skyBrightness: read.brightness, skySource: read.source } };
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
