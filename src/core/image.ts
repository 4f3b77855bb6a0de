/**
 * Images are planar, row-major, top row first; (0, 0) is the centre of the first pixel; (x, y) and
 * (width, height) always in that order. NaN = no data.
 */

/** One plane of values, f32[height*width]. */
export interface Plane {
  readonly width: number;
  readonly height: number;
  readonly data: Float32Array;
}

/** Three planes red, green, blue in one array, f32[3*height*width]: `data[(plane*height + y)*width + x]`. */
export interface ColorImage {
  readonly width: number;
  readonly height: number;
  readonly data: Float32Array;
}

/** u8[height*width], 1 = excluded, 0 = used. */
export interface Mask {
  readonly width: number;
  readonly height: number;
  readonly data: Uint8Array;
}

/** Makes a plane, filled with `value` (default 0). */
export function makePlane(width: number, height: number, value = 0): Plane {
  const data = new Float32Array(width * height);
  if (value !== 0) data.fill(value);
  return { width, height, data };
}

/** Makes a colour image, filled with `value` (default 0). */
export function makeColorImage(width: number, height: number, value = 0): ColorImage {
  const data = new Float32Array(3 * width * height);
  if (value !== 0) data.fill(value);
  return { width, height, data };
}

/** Makes a mask that excludes nothing. */
export function makeMask(width: number, height: number): Mask {
  return { width, height, data: new Uint8Array(width * height) };
}

/** One colour of a colour image as a view (no copy): 0 red, 1 green, 2 blue. */
export function colorPlane(image: ColorImage, color: 0 | 1 | 2): Plane {
  const size = image.width * image.height;
  return {
    width: image.width,
    height: image.height,
    data: image.data.subarray(color * size, (color + 1) * size),
  };
}

/**
 * A repeating colour filter pattern; `colors[(y % height)*width + (x % width)]` is the colour of pixel
 * (x, y) of the visible area: 0 red, 1 green, 2 blue.
 */
export interface CfaPattern {
  readonly width: number;
  readonly height: number;
  readonly colors: readonly (0 | 1 | 2)[];
}

/** The colour (0 red, 1 green, 2 blue) of pixel (x, y). */
export function cfaColor(cfa: CfaPattern, x: number, y: number): 0 | 1 | 2 {
  return cfa.colors[(y % cfa.height) * cfa.width + (x % cfa.width)]!;
}
