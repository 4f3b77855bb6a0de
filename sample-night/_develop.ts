import type { ScenarioCamera } from './night-scenario.js';

/** sRGB tone curve for 4096 linear steps, 8 bit. @source IEC 61966-2-1:1999. */
const TONE = Uint8Array.from({ length: 4097 }, (_, i) => {
  const linear = i / 4096;
  return Math.round(255 * (linear <= 0.0031308 ? 12.92 * linear : 1.055 * linear ** (1 / 2.4) - 0.055));
});

export interface DevelopOptions {
  /** Light doubled this many times before the curve, as a camera's own exposure setting does. */
  readonly stops: number;
  /** Half the size, one pixel from each 2x2 block; otherwise full size with bilinear colours. */
  readonly half: boolean;
}

export interface Developed {
  readonly width: number;
  readonly height: number;
  /** u8[height*width*3] */
  readonly data: Uint8Array;
}

/** Makes the picture that the camera itself would write as JPEG: balance, matrix, curve, no noise reduction. */
export function develop(camera: ScenarioCamera, raw: Uint16Array, options: DevelopOptions): Developed {
  const { width, height, blackLevel, whiteLevel, multipliers, cameraToSrgb: m } = camera;
  const scale = 2 ** options.stops / (whiteLevel - blackLevel);
  const outWidth = options.half ? width >> 1 : width;
  const outHeight = options.half ? height >> 1 : height;
  const data = new Uint8Array(outWidth * outHeight * 3);
  const at = (x: number, y: number) =>
    raw[Math.min(height - 1, Math.max(0, y)) * width + Math.min(width - 1, Math.max(0, x))]! - blackLevel;
  for (let y = 0; y < outHeight; y++) {
    for (let x = 0; x < outWidth; x++) {
      let r: number;
      let g: number;
      let b: number;
      if (options.half) {
        const k = 2 * y * width + 2 * x;
        r = raw[k]! - blackLevel;
        g = (raw[k + 1]! + raw[k + width]!) / 2 - blackLevel;
        b = raw[k + width + 1]! - blackLevel;
      } else {
        const cross = (at(x - 1, y) + at(x + 1, y) + at(x, y - 1) + at(x, y + 1)) / 4;
        const sides = (at(x - 1, y) + at(x + 1, y)) / 2;
        const updown = (at(x, y - 1) + at(x, y + 1)) / 2;
        const diagonal = (at(x - 1, y - 1) + at(x + 1, y - 1) + at(x - 1, y + 1) + at(x + 1, y + 1)) / 4;
        const here = at(x, y);
        const site = ((y & 1) << 1) + (x & 1);
        r = site === 0 ? here : site === 1 ? sides : site === 2 ? updown : diagonal;
        g = site === 1 || site === 2 ? here : cross;
        b = site === 3 ? here : site === 2 ? sides : site === 1 ? updown : diagonal;
      }
      r *= multipliers[0] * scale;
      g *= multipliers[1] * scale;
      b *= multipliers[2] * scale;
      const o = (y * outWidth + x) * 3;
      data[o] = tone(m[0]! * r + m[1]! * g + m[2]! * b);
      data[o + 1] = tone(m[3]! * r + m[4]! * g + m[5]! * b);
      data[o + 2] = tone(m[6]! * r + m[7]! * g + m[8]! * b);
    }
  }
  return { width: outWidth, height: outHeight, data };
}

const tone = (linear: number): number => TONE[Math.min(4096, Math.max(0, Math.round(linear * 4096)))]!;
