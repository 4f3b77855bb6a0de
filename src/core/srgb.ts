/** Linear light 0..1 to the sRGB signal 0..1. @source IEC 61966-2-1:1999 5.2. */
export function srgbEncode(linear: number): number {
  return linear <= 0.0031308 ? 12.92 * linear : 1.055 * linear ** (1 / 2.4) - 0.055;
}

/** sRGB signal 0..1 to linear light 0..1. @source IEC 61966-2-1:1999 5.2. */
export function srgbDecode(signal: number): number {
  return signal <= 0.04045 ? signal / 12.92 : ((signal + 0.055) / 1.055) ** 2.4;
}
