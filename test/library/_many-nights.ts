import { type Random, type Role, seededRandom } from '../../src/core/index.js';
import {
  inTransaction,
  type Library,
  savePlan,
  saveSession,
  saveSite,
  setNotes,
  setTags,
} from '../../src/library/index.js';

const SITES = [
  { name: 'Sandpiper Flat', latitude: -31.25, longitude: 20.5, skyBrightness: 21.9 },
  { name: 'North Ridge', latitude: -31.1, longitude: 20.6, skyBrightness: 21.6 },
  { name: 'Étang du Grèbe', latitude: 44.1, longitude: 3.2 },
  { name: '100% dark_hill', latitude: 28.3, longitude: -16.5 },
  { name: 'Home', zone: 'UTC' },
];
const CAMERAS = ['Skua 7', 'Petrel 2', 'SKUA 9', undefined];
const LENSES = ['Skua 24 mm', 'Petrel 14 mm f/2.8', undefined];
const ROLES: readonly Role[] = ['light', 'light', 'light', 'dark', 'flat', 'test', 'bias', 'other'];
const NOTES = [
  'thin cloud at midnight',
  'Great night, étoiles everywhere',
  'dew after 2 a.m.',
  '',
  '',
  'wind; tripod knocked',
];

const pick = <T>(random: Random, list: readonly T[]): T => list[Math.floor(random() * list.length)]!;

/** A sequence as the slow filter of the tests sees it: the same values that were stored. */
export interface PlainSequence {
  readonly id: string;
  readonly role: Role;
  readonly camera: string | undefined;
  readonly lens: string | undefined;
  readonly focal: number | undefined;
  readonly aperture: number | undefined;
  readonly iso: number | undefined;
  readonly shutter: number | undefined;
  readonly kept: number;
  readonly judged: number;
  readonly exposure: number;
  readonly moon: number | undefined;
  readonly fwhm: number | undefined;
  readonly hasStack: boolean;
  /** Where the middle of the picture looks, deg; undefined where no star told. */
  readonly center: { readonly rightAscension: number; readonly declination: number } | undefined;
}

/** A session likewise. */
export interface PlainSession {
  readonly id: string;
  readonly night: string;
  readonly site: (typeof SITES)[number] | undefined;
  readonly target: string | undefined;
  readonly notes: string;
  readonly tags: readonly string[];
  readonly sequences: readonly PlainSequence[];
}

/** Fills a library with invented sessions, straight into its tables, and returns the same as plain records. */
export function manyNights(
  library: Library,
  count: number,
  options: { readonly seed?: number; readonly framesPerSequence?: number } = {},
): PlainSession[] {
  const random = seededRandom(options.seed ?? 1);
  const elsewhere = seededRandom((options.seed ?? 1) + 1);
  return inTransaction(library, () => {
    const siteIds = SITES.map((site) => saveSite(library, site).id);
    const insertSequence = library.database.prepare(
      `INSERT INTO sequences (id, session_id, ordinal, role, camera, lens, focal_length, f_number, iso, exposure_time,
         start_ms, frame_count, kept, doubtful, dropped, total_exposure, moonlight, fwhm, has_stack, center_ra, center_dec)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    );
    const insertSettings = library.database.prepare(
      'INSERT INTO settings (body) VALUES (?) ON CONFLICT DO NOTHING',
    );
    const insertFrame = library.database.prepare(
      `INSERT INTO frames (id, session_id, sequence_id, position, role, sound, taken_ms, settings_id, header)
       VALUES (?, ?, ?, ?, ?, 1, ?, 1, ?)`,
    );
    const insertFile = library.database.prepare(
      `INSERT INTO files (frame_id, kind, is_primary, path, sha256, edge, size, name, card_path, modified_ms)
       VALUES (?, 'frame', 1, ?, ?, ?, ?, ?, ?, ?)`,
    );
    const insertMeasurement = library.database.prepare(
      `INSERT INTO measurements (frame_id, star_count, fwhm, fwhm_minor, elongation, trail_length, trail_angle, predicted_trail,
         background, noise, transparency, weight, offset_x, offset_y, offset_rotation, segment, verdict, measured_verdict, verdict_by)
       VALUES (?, 800, 2.31, 2.2, 1.07, 1.13, 44.2, 1.02, 812.4, 21.7, 0.98, 0.97, 3.25, -8.5, 0.031, 0, 'keep', 'keep', 'measured')`,
    );
    insertSettings.run(
      '{"camera":"Skua 7","format":"dng","formatName":"DNG","iso":3200,"lens":"Skua 24 mm","width":6000,"height":4000}',
    );
    let serial = 0;
    const all: PlainSession[] = [];
    for (let n = 0; n < count; n++) {
      const start = Date.UTC(2012, 0, 1, 20) + Math.floor(random() * 5400) * 86_400_000;
      const night = new Date(start).toISOString().slice(0, 10);
      const at = Math.floor(random() * (SITES.length + 1));
      const site = SITES[at];
      const id = `${night}-n${n}`;
      const target =
        random() < 0.4 ? pick(random, ['core', 'arch', 'Rho Ophiuchi', 'Großer Bär']) : undefined;
      const plan =
        target === undefined
          ? undefined
          : savePlan(library, { night, target, ...(site ? { siteId: siteIds[at]! } : {}) });
      const folder = `nights/${night} n${n}`;
      saveSession(library, {
        id,
        night,
        zone: 'UTC',
        folder,
        ...(site ? { siteId: siteIds[at]! } : {}),
        ...(plan ? { planId: plan.id } : {}),
      });
      const notes = pick(random, NOTES);
      if (notes !== '') setNotes(library, { kind: 'session', id }, notes);
      const tags = random() < 0.2 ? [pick(random, ['galaxy season', 'With Friends', 'test'])] : [];
      if (tags.length > 0) setTags(library, { kind: 'session', id }, tags);
      const sequences: PlainSequence[] = [];
      const runs = 1 + Math.floor(random() * 5);
      for (let k = 1; k <= runs; k++) {
        const role = pick(random, ROLES);
        const frames = options.framesPerSequence ?? 10 + Math.floor(random() * 60);
        const kept = role === 'light' ? Math.floor(random() * frames) : 0;
        const dropped = role === 'light' ? Math.floor(random() * (frames - kept)) : 0;
        const doubtful = role === 'light' && random() < 0.8 ? frames - kept - dropped : 0;
        const shutter = random() < 0.05 ? undefined : pick(random, [1 / 250, 2.5, 8, 10, 13, 15, 20, 30]);
        const one: PlainSequence = {
          id: `${id}/${k}`,
          role,
          camera: pick(random, CAMERAS),
          lens: pick(random, LENSES),
          focal: random() < 0.1 ? undefined : pick(random, [14, 20, 24, 35, 50]),
          aperture: random() < 0.1 ? undefined : pick(random, [1.4, 1.8, 2, 2.8, 4]),
          iso: random() < 0.05 ? undefined : pick(random, [400, 800, 1600, 3200, 6400, 12800]),
          shutter,
          kept,
          judged: kept + dropped + doubtful,
          exposure: (frames - dropped) * (shutter ?? 0),
          moon: site === undefined ? undefined : random() < 0.5 ? 0 : Math.round(random() * 100),
          fwhm: kept + doubtful > 0 ? 1.5 + random() * 4 : undefined,
          hasStack: role === 'light' && random() < 0.3,
          center:
            role === 'light' && elsewhere() < 0.6
              ? { rightAscension: 360 * elsewhere(), declination: 180 * elsewhere() - 90 }
              : undefined,
        };
        sequences.push(one);
        insertSequence.run(
          one.id,
          id,
          k,
          role,
          one.camera ?? null,
          one.lens ?? null,
          one.focal ?? null,
          one.aperture ?? null,
          one.iso ?? null,
          one.shutter ?? null,
          start + k * 3_600_000,
          frames,
          kept,
          doubtful,
          dropped,
          one.exposure,
          one.moon ?? null,
          one.fwhm ?? null,
          one.hasStack ? 1 : 0,
          one.center?.rightAscension ?? null,
          one.center?.declination ?? null,
        );
        if (options.framesPerSequence === undefined) continue;
        for (let f = 0; f < frames; f++) {
          const hex = (serial++).toString(16).padStart(12, '0');
          const taken = start + k * 3_600_000 + f * 12_000;
          insertFrame.run(
            hex,
            id,
            one.id,
            f,
            role,
            taken,
            JSON.stringify({
              exposureTime: 10,
              fileNumber: f,
              temperature: 11,
              wallTime: new Date(taken).toISOString().slice(0, 19),
            }),
          );
          const hash = Buffer.alloc(32);
          for (let b = 0; b < 32; b += 4) hash.writeUInt32LE(Math.floor(random() * 2 ** 32), b);
          const name = `NGT_${String(f).padStart(4, '0')}.DNG`;
          insertFile.run(
            hex,
            `${folder}/frames/${hex}.DNG`,
            hash,
            hash.subarray(0, 12),
            25_000_000,
            name,
            `DCIM/100NIGHT/${name}`,
            taken,
          );
          insertMeasurement.run(hex);
        }
      }
      all.push({ id, night, site, target, notes, tags, sequences });
    }
    return all;
  });
}
