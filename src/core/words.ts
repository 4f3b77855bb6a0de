/** A count with its word: `1 frame`, `2 frames`. */
export const many = (count: number, word: string, plural = `${word}s`): string =>
  `${count} ${count === 1 ? word : plural}`;
