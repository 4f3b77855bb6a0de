/**
 * Linear sRGB to Oklab and back, in place over one triple. @source B. Ottosson, "A perceptual color space for
 * image processing", 2020 (public-domain matrices).
 */
export function linearSrgbToOklab(r: number, g: number, b: number): [number, number, number] {
  const l = Math.cbrt(0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b);
  const m = Math.cbrt(0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b);
  const s = Math.cbrt(0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b);
  return [
    0.2104542553 * l + 0.793617785 * m - 0.0040720468 * s,
    1.9779984951 * l - 2.428592205 * m + 0.4505937099 * s,
    0.0259040371 * l + 0.7827717662 * m - 0.808675766 * s,
  ];
}

/** Oklab to linear sRGB; out-of-gamut results are returned as they are. */
export function oklabToLinearSrgb(lightness: number, a: number, b: number): [number, number, number] {
  const p = lightness + 0.3963377774 * a + 0.2158037573 * b;
  const q = lightness - 0.1055613458 * a - 0.0638541728 * b;
  const t = lightness - 0.0894841775 * a - 1.291485548 * b;
  const l = p * p * p;
  const m = q * q * q;
  const s = t * t * t;
  return [
    4.0767416621 * l - 3.3077115913 * m + 0.2309699292 * s,
    -1.2684380046 * l + 2.6097574011 * m - 0.3413193965 * s,
    -0.0041960863 * l - 0.7034186147 * m + 1.707614701 * s,
  ];
}

/** Relative luminance of linear sRGB. @source IEC 61966-2-1 (Rec. 709 primaries). */
export function luminance(r: number, g: number, b: number): number {
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
