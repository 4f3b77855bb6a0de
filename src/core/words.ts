/** A count with its word: `1 frame`, `2 frames`. */
export const many = (count: number, word: string, plural = `${word}s`): string =>
  `${count} ${count === 1 ? word : plural}`;

/** A name with its article, by its first letter: `a Nikon NEF`, `an Olympus ORF`. For names that sound as they are spelt. */
export const withArticle = (name: string): string => `${/^[aeiou]/i.test(name) ? 'an' : 'a'} ${name}`;
