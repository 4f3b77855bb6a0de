import { checkRange } from './_check.js';

/** Natural moonless zenith sky, cd/m2 and mag/arcsec2. @source F. Falchi et al., Science Advances 2 (2016) e1600377: 174 ucd/m2, 22.0 mag. */
export const NATURAL_LUMINANCE = 174e-6;
export const NATURAL_BRIGHTNESS = 22;

const checkBrightness = (value: number): number =>
  checkRange('a sky brightness', value, { min: 5, max: 25, unit: 'mag/arcsec2' });

/**
 * Zenith brightness in mag/arcsec2 to luminance in cd/m2: 10.8e4 x 10^(-0.4 m). Physically good to 3 %: the
 * factor depends on the sky's color.
 * @source Garstang, PASP 98 (1986) 364; the relation sky-meter makers print
 */
export const luminanceOf = (brightness: number): number =>
  10.8e4 * 10 ** (-0.4 * checkBrightness(brightness));

/** Luminance in cd/m2 to mag/arcsec2, the inverse of `luminanceOf`. */
export const brightnessOfLuminance = (luminance: number): number =>
  -2.5 * Math.log10(checkRange('a luminance', luminance, { min: 1e-6, max: 1e3, unit: 'cd/m2' }) / 10.8e4);

/** Luminance in cd/m2 on the scale where 22.0 mag is 174 ucd/m2 (0.018 mag from `luminanceOf`). @source Falchi et al. 2016 */
export const atlasLuminanceOf = (brightness: number): number =>
  NATURAL_LUMINANCE * 10 ** (0.4 * (NATURAL_BRIGHTNESS - checkBrightness(brightness)));

/** Zenith brightness, mag/arcsec2, where artificial light is `ratio` times the natural sky's. @source Falchi et al. 2016: 22.0 - 2.5 log10(1 + r) */
export const brightnessOfRatio = (ratio: number): number =>
  NATURAL_BRIGHTNESS -
  2.5 * Math.log10(1 + checkRange('a ratio of artificial to natural sky light', ratio, { min: 0, max: 1e5 }));

/** The zenith brightness, mag/arcsec2, of a given artificial luminance, cd/m2, over the natural sky. @source Falchi et al. 2016 */
export const brightnessOfArtificial = (artificial: number, natural = NATURAL_LUMINANCE): number =>
  brightnessOfRatio(artificial / natural);

/**
 * Faintest star for the naked eye, mag, under a zenith of that brightness.
 * @source B. E. Schaefer, PASP 102 (1990) 212, in the closed form 7.93 - 5 log10(10^(4.316 - m/5) + 1)
 */
export const nakedEyeLimit = (brightness: number): number =>
  7.93 - 5 * Math.log10(10 ** (4.316 - checkBrightness(brightness) / 5) + 1);

/** Zenith brightness, mag/arcsec2, from the faintest naked-eye star, mag (up to 7.9). Inverse of `nakedEyeLimit`. */
export const brightnessOfNakedEyeLimit = (limit: number): number =>
  21.58 -
  5 *
    Math.log10(
      10 ** (1.586 - checkRange('a naked-eye limit', limit, { min: 0, max: 7.9, unit: 'mag' }) / 5) - 1,
    );

/** A table that turns mag/arcsec2 into the nine Bortle classes; three are in use and they disagree. */
export interface ClassTable {
  readonly id: 'T1' | 'T2' | 'T3';
  /** Where it comes from, in words to show. */
  readonly name: string;
  /** From dark to bright: the class for a sky at least this dark, mag/arcsec2. */
  readonly edges: readonly { readonly from: number; readonly class: string }[];
  /** The class below the last edge. */
  readonly rest: string;
}

const edges = (rows: readonly (readonly [number, string])[]) =>
  rows.map(([from, name]) => ({ from, class: name }));

/**
 * The three tables. J. E. Bortle's article (Sky & Telescope, February 2001) gives naked-eye limits and no
 * mag/arcsec2, so every such table is later practice and a class is a hint, not a measurement.
 */
export const CLASS_TABLES: readonly ClassTable[] = [
  {
    id: 'T1',
    name: 'the table most copied',
    edges: edges([
      [21.99, '1'],
      [21.89, '2'],
      [21.69, '3'],
      [20.49, '4'],
      [19.5, '5'],
      [18.94, '6'],
      [18.38, '7'],
    ]),
    rest: '8 or 9',
  },
  {
    id: 'T2',
    name: 'the table of encyclopedias about 2016 to 2020',
    edges: edges([
      [21.7, '1'],
      [21.5, '2'],
      [21.3, '3'],
      [20.4, '4'],
      [19.1, '5'],
      [18, '6 or 7'],
    ]),
    rest: '8 or 9',
  },
  {
    id: 'T3',
    name: 'the table by the ratio of artificial light',
    edges: edges([
      [21.6, '1'],
      [21.5, '2'],
      [21.3, '3'],
      [20.8, '4'],
      [20.1, '4.5'],
      [19.1, '5'],
      [18, '6 or 7'],
    ]),
    rest: '8 or 9',
  },
];

/** The class of a zenith sky in one of the tables. */
export function skyClass(brightness: number, table: ClassTable['id'] = 'T1'): string {
  checkBrightness(brightness);
  const { edges: rows, rest } = CLASS_TABLES.find(({ id }) => id === table)!;
  return rows.find(({ from }) => brightness > from)?.class ?? rest;
}

/** Bortle's nine classes by the faintest naked-eye star, mag: lower limits of classes 1 to 8. @source J. E. Bortle, Sky & Telescope, February 2001 */
const NAKED_EYE_CLASSES = [7.6, 7.1, 6.6, 6.1, 5.6, 5.1, 4.75, 4.25];

/** Bortle's class, 1 to 9, from the faintest star seen with the naked eye. */
export function classOfNakedEyeLimit(limit: number): number {
  checkRange('a naked-eye limit', limit, { min: 0, max: 9, unit: 'mag' });
  const found = NAKED_EYE_CLASSES.findIndex((from) => limit >= from);
  return found < 0 ? 9 : found + 1;
}

/** Artificial zenith luminance between the levels of impact, cd/m2, with what each level means. @source Falchi et al. 2016 */
export const IMPACT_LEVELS: readonly { readonly upTo?: number; readonly text: string }[] = [
  { upTo: 1.7e-6, text: 'pristine sky' },
  { upTo: 14e-6, text: 'artificial light near the horizon only' },
  { upTo: 87e-6, text: 'artificial light up to the zenith' },
  { upTo: 688e-6, text: 'natural look of the sky lost' },
  { upTo: 3000e-6, text: 'Milky Way lost' },
  { text: 'eyes never adapt to the dark' },
];

/** Level 0 to 5 of artificial light at the zenith and its meaning. */
export function impactLevel(artificial: number): { level: number; text: string } {
  checkRange('an artificial luminance', artificial, { min: 0, max: 1e3, unit: 'cd/m2' });
  const level = IMPACT_LEVELS.findIndex(({ upTo }) => upTo === undefined || artificial <= upTo);
  return { level, text: IMPACT_LEVELS[level]!.text };
}
