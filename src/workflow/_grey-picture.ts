import { readFile } from 'node:fs/promises';
import sharp from 'sharp';

/** The first channel of a picture, row by row. */
export interface GreyPicture {
  readonly width: number;
  readonly height: number;
  readonly data: Buffer;
}

/** Reads a mask or a map; undefined when there is no such file or it cannot be opened. */
export async function readGrey(path: string): Promise<GreyPicture | undefined> {
  let bytes: Buffer;
  try {
    bytes = await readFile(path);
  } catch {
    return undefined;
  }
  const { data, info } = await sharp(bytes).extractChannel(0).raw().toBuffer({ resolveWithObject: true });
  return { width: info.width, height: info.height, data };
}
