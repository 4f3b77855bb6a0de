import { json, number, row, rows, text } from './_rows.js';
import type { Library } from './library.js';
import { includesName } from './search-query.js';

/** A body as earlier nights know it. */
export interface RememberedCamera {
  readonly camera: string;
  readonly serial?: string;
  /** um */
  readonly pixelPitchUm?: number;
  /** Size of its pictures, px. */
  readonly imageWidth?: number;
  readonly imageHeight?: number;
  /** Night it was last used in. */
  readonly night: string;
}

/**
 * The body last used for lights, or the last one whose name holds `part`: its picture size, and its pixel pitch
 * from the header, else from the focal length in px that the stars gave.
 */
export function rememberedCamera(library: Library, part?: string): RememberedCamera | undefined {
  const names = rows(library, 'SELECT DISTINCT camera FROM sequences WHERE camera IS NOT NULL')
    .map(({ camera }) => String(camera))
    .filter((camera) => part === undefined || includesName(camera, part));
  if (names.length === 0) return undefined;
  const found = row(
    library,
    `SELECT q.id, q.camera, q.serial, q.focal_length, s.night FROM sequences q JOIN sessions s ON s.id = q.session_id
     WHERE q.role = 'light' AND q.frame_count > 0 AND q.camera IN (SELECT value FROM json_each(?))
     ORDER BY s.night DESC, q.frame_count DESC, q.id LIMIT 1`,
    JSON.stringify(names),
  );
  if (!found) return undefined;
  const first = row(
    library,
    `SELECT f.header, settings.body AS shared FROM frames f LEFT JOIN settings ON settings.id = f.settings_id
     WHERE f.sequence_id = ? AND f.sound = 1 ORDER BY f.position LIMIT 1`,
    found.id,
  );
  const header = { ...json<object>(first?.shared), ...json<object>(first?.header) } as {
    pixelPitchUm?: number;
    width?: number;
    height?: number;
  };
  const pitch = header.pixelPitchUm ?? pitchFromStars(library, String(found.id), number(found.focal_length));
  const serial = text(found.serial);
  return {
    camera: String(found.camera),
    ...(serial === undefined ? {} : { serial }),
    ...(pitch === undefined ? {} : { pixelPitchUm: pitch }),
    ...(header.width === undefined ? {} : { imageWidth: header.width }),
    ...(header.height === undefined ? {} : { imageHeight: header.height }),
    night: String(found.night),
  };
}

/** um: the focal length that the file states over the one that the stars gave. @source pitch = f / f_px */
function pitchFromStars(
  library: Library,
  sequenceId: string,
  focalMm: number | undefined,
): number | undefined {
  const found = row(
    library,
    "SELECT body ->> '$.focalLengthPx.value' AS px, body ->> '$.focalLengthPx.known' AS known FROM alignments WHERE sequence_id = ?",
    sequenceId,
  );
  const px = number(found?.px);
  return focalMm === undefined || px === undefined || found?.known !== 1 ? undefined : (1000 * focalMm) / px;
}
