import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  csvLine,
  type Field,
  framesOf,
  jsonLine,
  openLibrary,
  saveMeasurements,
  setNotes,
} from '../../src/library/index.js';
import { exportCatalogue } from '../../src/workflow/export-catalogue.js';
import { importCard } from '../../src/workflow/import.js';
import { frameBytes, put, scratch, wallAt } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

/** The obvious reader of CSV. @source RFC 4180 section 2 */
function readCsv(text: string): string[][] {
  const lines: string[][] = [];
  let [line, field, quoted] = [[] as string[], '', false];
  for (let i = 0; i < text.length; i++) {
    const c = text[i]!;
    if (quoted) {
      if (c === '"' && text[i + 1] === '"') field += text[++i];
      else if (c === '"') quoted = false;
      else field += c;
    } else if (c === '"') quoted = true;
    else if (c === ',') {
      line.push(field);
      field = '';
    } else if (c === '\r' && text[i + 1] === '\n') {
      i++;
      lines.push([...line, field]);
      [line, field] = [[], ''];
    } else field += c;
  }
  expect([line, field, quoted]).toEqual([[], '', false]); // the last record ends with a line break
  return lines;
}

const values: fc.Arbitrary<Field> = fc.oneof(
  fc.string({ unit: 'binary' }),
  fc.constantFrom('a,b', 'say "hi"', 'two\r\nlines', '"', ',', '\n', 'étoiles, nuit', undefined),
  fc.double({ noNaN: true, noDefaultInfinity: true }),
  fc.boolean(),
);

describe('lines', () => {
  it('of CSV come back field for field, whatever is in them (RFC 4180)', () => {
    fc.assert(
      fc.property(fc.array(values, { minLength: 2, maxLength: 8 }), (fields) => {
        const [line, ...more] = readCsv(csvLine(fields));
        expect(more).toEqual([]);
        expect(line).toEqual(fields.map((field) => (field === undefined ? '' : String(field))));
      }),
      { numRuns: 300 },
    );
  });

  it('of JSON stand on one line each and leave out what is unknown', () => {
    fc.assert(
      fc.property(fc.array(values, { minLength: 1, maxLength: 8 }), (fields) => {
        const names = fields.map((_, i) => `c${i}`);
        const line = jsonLine(names, fields);
        expect(line.indexOf('\n')).toBe(line.length - 1);
        const known = Object.fromEntries(
          names.flatMap((name, i) => (fields[i] === undefined ? [] : [[name, fields[i]]])),
        );
        // -0 is written 0 in JSON.
        expect(JSON.parse(line)).toEqual(JSON.parse(JSON.stringify(known)));
      }),
      { numRuns: 300 },
    );
  });
});

describe('exportCatalogue', () => {
  it('writes every night, run and frame with what each column means, in both formats alike', async () => {
    const base = scratch();
    const context = contextOf(join(base, 'library'));
    for (let i = 0; i < 5; i++)
      put(
        join(base, 'card', `E${i}.DNG`),
        frameBytes({ wallTime: wallAt(i), exposureTime: 10, iso: 3200, camera: 'Skua "7", old' }, i),
      );
    // A frame that no run holds is a row all the same.
    put(
      join(base, 'card', 'E9.DNG'),
      frameBytes({ wallTime: wallAt(9), exposureTime: 10, iso: 3200, damage: 'header' } as never, 9),
    );
    const { session } = await importCard(
      context,
      { card: join(base, 'card'), site: 'Étang, south', at: { latitude: -31.25, longitude: 20.5 } },
      fakeTools,
    );
    const library = openLibrary(context.libraryDir, { mode: 'write' });
    const ids = framesOf(library, session!.id).map(({ id }) => id);
    saveMeasurements(library, [
      {
        ...{ frameId: ids[1]!, verdict: 'drop', fwhm: 3.25, starCount: 411 },
        reasons: [{ code: 'cloud', value: 0.4, limit: 0.72, text: 'Cloud: only 40 %, they said "clear".' }],
      },
    ]);
    setNotes(library, { kind: 'session', id: session!.id }, 'wind,\nthen "calm"');
    library.close();
    const csv = await exportCatalogue(context, { format: 'csv', to: join(base, 'out') });
    const lines = await exportCatalogue(context, {
      format: 'jsonl',
      to: join(base, 'out'),
      wanted: 'latest',
    });
    expect(csv.tables.map(({ name, rows }) => [name, rows])).toEqual([
      ['sessions', 1],
      ['sequences', 1],
      ['frames', 6],
    ]);
    const meanings = readCsv(readFileSync(csv.columns, 'utf8')).slice(1);
    for (const [i, { name, file }] of csv.tables.entries()) {
      const [header, ...rows] = readCsv(readFileSync(file, 'utf8'));
      const objects = readFileSync(lines.tables[i]!.file, 'utf8')
        .trimEnd()
        .split('\n')
        .map((line) => JSON.parse(line) as Record<string, unknown>);
      expect(rows).toHaveLength(objects.length);
      for (const [n, row] of rows.entries())
        expect(
          Object.fromEntries(header!.map((key, k) => [key, row[k]]).filter(([, text]) => text !== '')),
        ).toEqual(
          Object.fromEntries(Object.entries(objects[n]!).map(([key, value]) => [key, String(value)])),
        );
      expect(meanings.filter(([table]) => table === name).map(([, column]) => column)).toEqual(header);
    }
    // A name that needs no words has a unit or speaks for itself; none is empty in all three.
    for (const [, column, unit, meaning] of meanings)
      expect(`${unit}${meaning}` !== '' || ['frames'].includes(column!)).toBe(true);
    const dropped = readFileSync(lines.tables[2]!.file, 'utf8')
      .split('\n')
      .map((line) => (line === '' ? {} : (JSON.parse(line) as Record<string, unknown>)))
      .find(({ verdict }) => verdict === 'drop');
    expect(dropped).toMatchObject({ frame: ids[1], fwhm: 3.25, starCount: 411, reasons: 'cloud' });
    await expect(exportCatalogue(context, { format: 'csv', wanted: 'nowhere' })).rejects.toMatchObject({
      code: 'UNKNOWN_ID',
    });
  });
});
