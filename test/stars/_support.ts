import { readFileSync } from 'node:fs';
import { makePlane, type Plane } from '../../src/core/index.js';

/** Reads the 16-bit primary array of a small FITS file of ours, top row first as stored. */
export function readFixture(name: string): Plane {
  const bytes = readFileSync(new URL(`fixtures/${name}`, import.meta.url));
  const cards: Record<string, string> = {};
  let at = 0;
  for (let done = false; !done; at += 2880) {
    for (let i = 0; i < 36; i++) {
      const card = bytes.toString('latin1', at + i * 80, at + (i + 1) * 80);
      if (card.startsWith('END')) done = true;
      if (card[8] === '=') cards[card.slice(0, 8).trim()] = card.slice(10).split('/')[0]!.trim();
    }
  }
  const width = Number(cards.NAXIS1);
  const height = Number(cards.NAXIS2);
  const zero = Number(cards.BZERO ?? 0);
  const plane = makePlane(width, height);
  for (let i = 0; i < width * height; i++) plane.data[i] = bytes.readInt16BE(at + 2 * i) + zero;
  return plane;
}
