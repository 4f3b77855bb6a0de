import { mkdir, readdir, rm } from 'node:fs/promises';
import { join } from 'node:path';
import sharp from 'sharp';
import { throwIfCancelled } from '../core/index.js';
import { isMissing } from '../library/index.js';
import { turned } from './_report-turn.js';
import { writeWhole } from './_run-folder.js';

/** The pictures beside the page: each is written whole, and what no page names any more is taken away. */
export interface PictureFolder {
  /** Writes `name` from what `make` gives and returns its path relative to the page; undefined when there is no source. */
  add(name: string, make: () => Promise<Buffer>): Promise<string | undefined>;
  /** Removes pictures of an earlier report that this one does not show. */
  tidy(): Promise<void>;
}

/** Opens `report/images` for a new report. */
export async function openPictures(reportDir: string, signal?: AbortSignal): Promise<PictureFolder> {
  const dir = join(reportDir, 'images');
  await mkdir(dir, { recursive: true });
  const named = new Set<string>();
  return {
    async add(name, make) {
      throwIfCancelled(signal);
      let bytes: Buffer;
      try {
        bytes = await make();
      } catch (error) {
        // A preview or a map that was never made, or that somebody took away, leaves a gap on the page.
        if (isMissing(error) || isUnreadablePicture(error)) return undefined;
        throw error;
      }
      await writeWhole(join(dir, name), bytes);
      named.add(name);
      return `images/${name}`;
    },
    async tidy() {
      for (const entry of await readdir(dir)) {
        if (!named.has(entry)) await rm(join(dir, entry), { force: true });
      }
    },
  };
}

const isUnreadablePicture = (error: unknown): boolean =>
  error instanceof Error &&
  /Input file|unsupported image format|Input buffer|VipsJpeg|pngload/.test(error.message);

/** A small JPEG of a picture file, turned, at most `longSide` px. */
export async function smallJpeg(
  path: string,
  options: {
    readonly longSide: number;
    readonly orientation?: number | undefined;
    readonly quality?: number;
    /** Brightness, 1 = as it is; previews are dark for a page. */
    readonly lift?: number;
  },
): Promise<Buffer> {
  return turned(sharp(path), options.orientation)
    .resize({ width: options.longSide, height: options.longSide, fit: 'inside', withoutEnlargement: true })
    .linear(options.lift ?? 1, 0)
    .toColorspace('srgb')
    .jpeg({ quality: options.quality ?? 74, mozjpeg: true })
    .toBuffer();
}

/** A small grey PNG of a map file, turned, stretched so that its highest value is white. */
export async function smallMap(
  path: string,
  options: { readonly longSide: number; readonly orientation?: number | undefined },
): Promise<Buffer> {
  const picture = turned(sharp(path, { limitInputPixels: false }), options.orientation).resize({
    width: options.longSide,
    height: options.longSide,
    fit: 'inside',
    withoutEnlargement: true,
  });
  const { data, info } = await picture
    .toColorspace('b-w')
    .extractChannel(0)
    .raw({ depth: 'float' })
    .toBuffer({ resolveWithObject: true });
  const values = new Float32Array(data.buffer, data.byteOffset, data.byteLength / 4);
  let most = 0;
  for (const value of values) if (value > most) most = value;
  const grey = Uint8Array.from(values, (value) =>
    most > 0 ? Math.round((255 * Math.max(0, value)) / most) : 0,
  );
  return sharp(grey, { raw: { width: info.width, height: info.height, channels: 1 } })
    .png({ compressionLevel: 9 })
    .toBuffer();
}

/** Width and height of a picture file as stored, px. */
export async function sizeOf(path: string): Promise<{ readonly width: number; readonly height: number }> {
  const { width, height } = await sharp(path).metadata();
  return { width, height };
}
