/** XYZ (D65) to linear sRGB, row-major. @source IEC 61966-2-1:1999. */
export const XYZ_TO_SRGB = [
  3.2404542, -1.5371385, -0.4985314, -0.969266, 1.8760108, 0.041556, 0.0556434, -0.2040259, 1.0572252,
] as const;

const lobe = (x: number, mean: number, below: number, above: number): number => {
  const t = (x - mean) / (x < mean ? below : above);
  return Math.exp(-0.5 * t * t);
};

/** Linear sRGB of a glowing body at unit luminance. @source Planck's law; colour matching by C. Wyman et al., JCGT 2 (2013) no. 2. */
export function bodyColor(temperature: number): [number, number, number] {
  let x = 0;
  let y = 0;
  let z = 0;
  for (let nm = 380; nm <= 740; nm += 5) {
    const power = 1 / (nm ** 5 * (Math.exp(1.438_777e7 / (nm * temperature)) - 1));
    x +=
      power *
      (1.056 * lobe(nm, 599.8, 37.9, 31) +
        0.362 * lobe(nm, 442, 16, 26.7) -
        0.065 * lobe(nm, 501.1, 20.4, 26.2));
    y += power * (0.821 * lobe(nm, 568.8, 46.9, 40.5) + 0.286 * lobe(nm, 530.9, 16.3, 31.1));
    z += power * (1.217 * lobe(nm, 437, 11.8, 36) + 0.681 * lobe(nm, 459, 26, 13.8));
  }
  const m = XYZ_TO_SRGB;
  return [
    (m[0] * x + m[1] * y + m[2] * z) / y,
    (m[3] * x + m[4] * y + m[5] * z) / y,
    (m[6] * x + m[7] * y + m[8] * z) / y,
  ];
}

/** Temperature of a star, K, from its B-V. @source F. J. Ballesteros, EPL 97 (2012) 34008. */
export const starTemperature = (bv: number): number =>
  4600 * (1 / (0.92 * bv + 1.7) + 1 / (0.92 * bv + 0.62));
