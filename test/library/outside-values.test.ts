import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { hashFile, nodeFileSystem } from '../../src/library/index.js';
import { scratch } from './_card.js';

const TESTS = new URL('../', import.meta.url).pathname;
const CHECKS = JSON.parse(readFileSync(join(TESTS, 'golden', 'frames-checks.json'), 'utf8')).checks as Record<
  string,
  { readonly quantity: string; readonly expected: unknown }
>;

/** Texts of the examples of FIPS 180-4; the table names the longer ones by their length. */
const MESSAGES: Readonly<Record<string, string>> = {
  'C-SH-1': '',
  'C-SH-2': 'abc',
  'C-SH-3': 'abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq',
  'C-SH-4':
    'abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu',
  'C-SH-5': 'a'.repeat(1_000_000),
};

describe('hashFile', () => {
  for (const [id, message] of Object.entries(MESSAGES)) {
    it(`${id}: the published hash of ${message.length} bytes`, async () => {
      const path = join(scratch(), 'message');
      writeFileSync(path, message);
      const { sha256 } = await hashFile(nodeFileSystem, path);
      expect(sha256.toString('hex')).toBe(CHECKS[id]!.expected);
    });
  }
});

/** Rows of the section on photography and files that nothing here computes, each with the reason. */
const NOT_COMPUTED: Readonly<Record<string, string>> = {
  'C-EX-12': 'The APEX speed value is not read: every camera states ISO in a field of its own, which is.',
  'C-EX-13': 'Exposure values are not computed: sky brightness is measured from the frames instead.',
  'C-FI-05': 'No checksum cards are written: they are optional, and fitsverify passes without them.',
  'C-DC-1': 'Any folder of a card is searched, so that none is missed for its name.',
  'C-DC-4': 'Nothing depends on folder numbers: frames are ordered by their time.',
  'C-DC-7': 'File times only place files without a header of their own, by the nearest; frames go by EXIF.',
};

describe('the outside values for photography and files', () => {
  it('are each held by a test that names the row, or left out for a reason', () => {
    const text = readdirSync(TESTS, { recursive: true, encoding: 'utf8' })
      .filter((name) => name.endsWith('.test.ts') && !name.endsWith('outside-values.test.ts'))
      .map((name) => readFileSync(join(TESTS, name), 'utf8'))
      .join('\n')
      // Rows that a test goes through by number.
      .replace(/C-SR-D\$\{i\}/g, '1 2 3 4 5 6 7 8 9'.replace(/\d/g, 'C-SR-D$&'));
    const named = (id: string) => new RegExp(`${id}(?![0-9A-Z])`).test(text) || id in MESSAGES;
    const ids = Object.keys(CHECKS);
    expect(ids).toHaveLength(59);
    expect(ids.filter((id) => !named(id)).sort()).toEqual(Object.keys(NOT_COMPUTED).sort());
  });
});
