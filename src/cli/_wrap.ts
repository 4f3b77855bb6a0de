/** Columns of the terminal, within what reads well; 80 where the output is no terminal. */
export const textWidth = (): number => Math.max(60, Math.min(100, process.stdout.columns ?? 80));

/**
 * Breaks a text at blanks into lines of a width.
 * @param first what the first line begins with; the others are indented as far
 */
export function wrap(first: string, text: string, width: number): string {
  const indent = ' '.repeat(first.length);
  const lines: string[] = [];
  let line = first;
  let empty = true;
  for (const word of text.split(' ')) {
    if (!empty && line.length + 1 + word.length > width) {
      lines.push(line);
      line = indent + word;
    } else {
      line += empty ? word : ` ${word}`;
      empty = false;
    }
  }
  return [...lines, line].join('\n');
}
