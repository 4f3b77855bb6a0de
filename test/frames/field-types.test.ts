import { describe, expect, it } from 'vitest';
import { numbers, readTiffStructure, text } from '../../src/frames/_ifd.js';
import { openSource } from '../../src/frames/_source.js';

/** A field type: its number, bytes of one value, what value i is, and how it is written. @source TIFF 6.0 section 2; BigTIFF design note */
interface FieldType {
  readonly name: string;
  readonly code: number;
  readonly size: number;
  readonly value: (i: number) => number;
  readonly write: (view: DataView, at: number, value: number, little: boolean) => void;
}

const up = (i: number) => 10 * (i + 1);
const down = (i: number) => -10 * (i + 1);
/** Exact in a rational: the tens over seven. */
const sevenths = (numerator: (i: number) => number) => (i: number) => numerator(i) / 7;

const TYPES: readonly FieldType[] = [
  { name: 'BYTE', code: 1, size: 1, value: up, write: (v, at, x) => v.setUint8(at, x) },
  {
    name: 'SHORT',
    code: 3,
    size: 2,
    value: (i) => 65_535 - i,
    write: (v, at, x, le) => v.setUint16(at, x, le),
  },
  { name: 'LONG', code: 4, size: 4, value: (i) => 4e9 + i, write: (v, at, x, le) => v.setUint32(at, x, le) },
  {
    name: 'RATIONAL',
    code: 5,
    size: 8,
    value: sevenths(up),
    write: (v, at, x, le) => {
      v.setUint32(at, Math.round(x * 7), le);
      v.setUint32(at + 4, 7, le);
    },
  },
  { name: 'SBYTE', code: 6, size: 1, value: down, write: (v, at, x) => v.setInt8(at, x) },
  { name: 'UNDEFINED', code: 7, size: 1, value: (i) => 255 - i, write: (v, at, x) => v.setUint8(at, x) },
  {
    name: 'SSHORT',
    code: 8,
    size: 2,
    value: (i) => -32_768 + i,
    write: (v, at, x, le) => v.setInt16(at, x, le),
  },
  { name: 'SLONG', code: 9, size: 4, value: (i) => -2e9 - i, write: (v, at, x, le) => v.setInt32(at, x, le) },
  {
    name: 'SRATIONAL',
    code: 10,
    size: 8,
    value: sevenths(down),
    write: (v, at, x, le) => {
      v.setInt32(at, Math.round(x * 7), le);
      v.setInt32(at + 4, 7, le);
    },
  },
  {
    name: 'FLOAT',
    code: 11,
    size: 4,
    value: (i) => i + 0.5,
    write: (v, at, x, le) => v.setFloat32(at, x, le),
  },
  {
    name: 'DOUBLE',
    code: 12,
    size: 8,
    value: (i) => i + 0.1,
    write: (v, at, x, le) => v.setFloat64(at, x, le),
  },
  { name: 'IFD', code: 13, size: 4, value: up, write: (v, at, x, le) => v.setUint32(at, x, le) },
];

const BIG_TYPES: readonly FieldType[] = [
  {
    name: 'LONG8',
    code: 16,
    size: 8,
    value: (i) => 2 ** 40 + i,
    write: (v, at, x, le) => v.setBigUint64(at, BigInt(x), le),
  },
  {
    name: 'SLONG8',
    code: 17,
    size: 8,
    value: (i) => -(2 ** 40) - i,
    write: (v, at, x, le) => v.setBigInt64(at, BigInt(x), le),
  },
  { name: 'IFD8', code: 18, size: 8, value: up, write: (v, at, x, le) => v.setBigUint64(at, BigInt(x), le) },
];

const TAG = 50714;

/** A file of one directory with one field, laid by hand, so that no writer of ours is part of the test. */
function oneField(
  type: { readonly code: number; readonly size: number },
  count: number,
  layout: { readonly little: boolean; readonly big: boolean },
  fill: (view: DataView, at: number) => void,
): Uint8Array {
  const { little, big } = layout;
  const view = new DataView(new ArrayBuffer(200));
  view.setUint16(0, little ? 0x4949 : 0x4d4d);
  view.setUint16(2, big ? 43 : 42, little);
  const [word, head, directory] = big ? [8, 8, 16] : [4, 2, 8];
  const setWord = (at: number, value: number) =>
    big ? view.setBigUint64(at, BigInt(value), little) : view.setUint32(at, value, little);
  if (big) view.setUint16(4, 8, little);
  setWord(big ? 8 : 4, directory);
  if (big) view.setBigUint64(directory, 1n, little);
  else view.setUint16(directory, 1, little);
  const entry = directory + head;
  view.setUint16(entry, TAG, little);
  view.setUint16(entry + 2, type.code, little);
  setWord(entry + 4, count);
  const slot = entry + 4 + word;
  if (count * type.size <= word) fill(view, slot);
  else {
    setWord(slot, 120);
    fill(view, 120);
  }
  return new Uint8Array(view.buffer);
}

describe('every field type x count 1, 2, 3, 5 x both byte orders (L54)', () => {
  for (const big of [false, true]) {
    for (const little of [true, false]) {
      const where = `${big ? 'BigTIFF' : 'TIFF'} ${little ? 'II' : 'MM'}`;
      for (const type of big ? [...TYPES, ...BIG_TYPES] : TYPES) {
        it(`${where} ${type.name}`, () => {
          for (const count of [1, 2, 3, 5]) {
            const values = Array.from({ length: count }, (_, i) => type.value(i));
            const bytes = oneField(type, count, { little, big }, (view, at) => {
              for (const [i, value] of values.entries()) type.write(view, at + i * type.size, value, little);
            });
            const structure = readTiffStructure(openSource(bytes, 'matrix.tif'));
            expect(numbers(structure, structure.chain[0], TAG)).toEqual(values);
          }
        });
      }
      it(`${where} ASCII`, () => {
        for (const count of [1, 2, 3, 5]) {
          const words = 'abcd'.slice(0, count - 1);
          const bytes = oneField({ code: 2, size: 1 }, count, { little, big }, (view, at) => {
            for (let i = 0; i < words.length; i++) view.setUint8(at + i, words.charCodeAt(i));
          });
          const structure = readTiffStructure(openSource(bytes, 'matrix.tif'));
          // A text of one byte is its closing zero alone: nothing was said.
          expect(text(structure, structure.chain[0], TAG) ?? '').toBe(words);
        }
      });
    }
  }
});
