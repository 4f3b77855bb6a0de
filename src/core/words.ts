/** A count with its word: `1 frame`, `2 frames`. */
export const many = (count: number, word: string, plural = `${word}s`): string =>
  `${count} ${count === 1 ? word : plural}`;

/** A name with its article, by its first letter: `a Nikon NEF`, `an Olympus ORF`. For names that sound as they are spelt. */
export const withArticle = (name: string): string => `${/^[aeiou]/i.test(name) ? 'an' : 'a'} ${name}`;

const WINDS = 'N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW'.split(' ');

/** The nearest of sixteen winds to an azimuth, deg from north through east. */
export const compass = (azimuth: number): string =>
  WINDS[Math.round((((azimuth % 360) + 360) % 360) / 22.5) % 16]!;
