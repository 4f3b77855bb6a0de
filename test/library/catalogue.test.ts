import { execFileSync, spawnSync } from 'node:child_process';
import { chmodSync, existsSync, mkdirSync, readdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import Sqlite from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import {
  findPlan,
  findSession,
  holdLibrary,
  insideLibrary,
  inTransaction,
  migrate,
  openLibrary,
  plans,
  safeName,
  savePlan,
  saveSession,
  saveSite,
  schemaVersion,
  sessions,
  sites,
  slug,
} from '../../src/library/index.js';
import { scratch } from './_card.js';

const LIBRARY = new URL('../../dist/src/library/index.js', import.meta.url).href;
const asRoot = process.getuid?.() === 0;

describe('openLibrary', () => {
  it('makes a catalogue with a log, full sync and our mark', () => {
    const dir = join(scratch(), 'deep', 'library');
    const library = openLibrary(dir, { mode: 'write' });
    expect(library.database.pragma('journal_mode', { simple: true })).toBe('wal');
    expect(library.database.pragma('synchronous', { simple: true })).toBe(2); // 2 = FULL
    expect(library.database.pragma('integrity_check', { simple: true })).toBe('ok');
    expect(library.warnings).toEqual([]);
    library.close();
    library.close();
  });

  it('shows a reader of a folder without catalogue an empty library and writes nothing', () => {
    const dir = join(scratch(), 'nowhere');
    const library = openLibrary(dir, { mode: 'read' });
    expect(sessions(library)).toEqual([]);
    library.close();
    expect(existsSync(dir)).toBe(false);
  });

  it('never writes through a reading handle', () => {
    const dir = scratch();
    openLibrary(dir, { mode: 'write' }).close();
    const library = openLibrary(dir, { mode: 'read' });
    expect(() => inTransaction(library, () => 0)).toThrow(TypeError);
    expect(() => library.database.exec('DELETE FROM sites')).toThrow(/readonly/);
    library.close();
  });

  it('reads a library on a read-only folder and refuses to write there with one sentence', ({ skip }) => {
    if (process.platform === 'win32') skip('folders have no such permission here');
    // Root may write anywhere, so root looks through the eyes of somebody else, who must be able to read the code.
    const other = asRoot ? { uid: 65534, gid: 65534 } : {};
    const sees = spawnSync(
      process.execPath,
      ['--input-type=module', '-e', `await import(${JSON.stringify(LIBRARY)})`],
      { ...other },
    );
    if (sees.status !== 0) skip('the checkout lies in a folder that another user may not read');
    const dir = scratch();
    const first = openLibrary(dir, { mode: 'write' });
    saveSite(first, { name: 'North Ridge' });
    first.close();
    for (const name of readdirSync(dir)) chmodSync(join(dir, name), 0o444);
    chmodSync(dir, 0o555);
    const said = execFileSync(
      process.execPath,
      [
        '--input-type=module',
        '-e',
        `const { openLibrary, sites } = await import(${JSON.stringify(LIBRARY)});
         const library = openLibrary(process.argv[1], { mode: 'read' });
         console.log(sites(library).map(({ name }) => name).join());
         library.close();
         try { openLibrary(process.argv[1], { mode: 'write' }); } catch (error) { console.log(error.code, error.message); }`,
        dir,
      ],
      { encoding: 'utf8', ...other },
    );
    chmodSync(dir, 0o755);
    expect(said).toMatch(/^North Ridge\nNOT_WRITABLE Expected leave to .* may not be written/);
    expect(readdirSync(dir)).toEqual(['catalogue.sqlite']);
  });

  it('reports a file where the folder should be', () => {
    const dir = scratch();
    writeFileSync(join(dir, 'library'), 'x');
    expect(() => openLibrary(join(dir, 'library'), { mode: 'write' })).toThrow(
      expect.objectContaining({ name: 'StorageError' }),
    );
  });

  it('refuses a catalogue of a newer version, and one of another program', () => {
    const dir = scratch();
    openLibrary(dir, { mode: 'write' }).close();
    const file = join(dir, 'catalogue.sqlite');
    const raw = new Sqlite(file);
    raw.pragma('user_version = 999');
    raw.close();
    for (const mode of ['read', 'write'] as const) {
      expect(() => openLibrary(dir, { mode })).toThrow(expect.objectContaining({ code: 'CATALOGUE_NEWER' }));
    }
    const other = scratch();
    const foreign = new Sqlite(join(other, 'catalogue.sqlite'));
    foreign.exec('CREATE TABLE mine (a)');
    foreign.pragma('user_version = 1');
    foreign.close();
    expect(() => openLibrary(other, { mode: 'write' })).toThrow(
      expect.objectContaining({ code: 'CATALOGUE_DAMAGED' }),
    );
  });

  it('says that a damaged catalogue is damaged (L42)', () => {
    const dir = scratch();
    mkdirSync(dir, { recursive: true });
    writeFileSync(
      join(dir, 'catalogue.sqlite'),
      'this is no database, it is a text of some length'.repeat(40),
    );
    for (const mode of ['read', 'write'] as const) {
      expect(() => openLibrary(dir, { mode })).toThrow(
        expect.objectContaining({ code: 'CATALOGUE_DAMAGED' }),
      );
    }
  });

  it('waits for another writer, then says that the catalogue is busy (L39)', () => {
    const dir = scratch();
    const one = openLibrary(dir, { mode: 'write' });
    const two = openLibrary(dir, { mode: 'write', busyTimeoutMs: 50 });
    one.database.exec('BEGIN IMMEDIATE');
    expect(() => saveSite(two, { name: 'X' })).toThrow(expect.objectContaining({ code: 'CATALOGUE_BUSY' }));
    // A reader is not held up, and sees only what was finished.
    const reader = openLibrary(dir, { mode: 'read', busyTimeoutMs: 50 });
    expect(sites(reader)).toEqual([]);
    one.database.exec('COMMIT');
    saveSite(two, { name: 'X' });
    expect(sites(reader)).toHaveLength(1);
    for (const library of [one, two, reader]) library.close();
  });

  it('undoes a transaction that fails half-way', () => {
    const library = openLibrary(scratch(), { mode: 'write' });
    expect(() =>
      inTransaction(library, () => {
        saveSite(library, { name: 'Half' });
        throw new RangeError('stop');
      }),
    ).toThrow(RangeError);
    expect(sites(library)).toEqual([]);
    library.close();
  });
});

describe('migrate', () => {
  const steps = ['CREATE TABLE a (x)', 'ALTER TABLE a ADD COLUMN y', 'CREATE TABLE b (z)'];

  it('goes forward step by step and keeps a whole copy from before (L42)', () => {
    const dir = scratch();
    const file = join(dir, 'catalogue.sqlite');
    const first = new Sqlite(file);
    first.pragma('journal_mode = WAL');
    expect(migrate(first, dir, steps.slice(0, 1))).toBeUndefined();
    first.exec('INSERT INTO a VALUES (7)');
    const backup = migrate(first, dir, steps)!;
    expect(schemaVersion(first)).toBe(3);
    expect(first.prepare('SELECT x, y FROM a').all()).toEqual([{ x: 7, y: null }]);
    const old = new Sqlite(backup, { readonly: true });
    expect(schemaVersion(old)).toBe(1);
    expect(old.prepare('SELECT * FROM a').all()).toEqual([{ x: 7 }]);
    old.close();
    expect(migrate(first, dir, steps)).toBeUndefined();
    first.close();
  });

  it('leaves the old schema whole when a step fails', () => {
    const dir = scratch();
    const database = new Sqlite(join(dir, 'catalogue.sqlite'));
    migrate(database, dir, steps.slice(0, 1));
    expect(() => migrate(database, dir, [steps[0]!, 'CREATE TABLE c (x); NONSENSE'])).toThrow();
    expect(schemaVersion(database)).toBe(1);
    expect(database.prepare("SELECT name FROM sqlite_master WHERE name = 'c'").all()).toEqual([]);
    expect(readdirSync(join(dir, 'backups'))).toHaveLength(1);
    database.close();
  });
});

describe('holdLibrary', () => {
  it('lets one in at a time, says who holds it, and frees itself', async () => {
    const dir = scratch();
    const library = openLibrary(dir, { mode: 'write' });
    const release = await holdLibrary(library, { task: 'importing a card' });
    let heard = '';
    await expect(
      holdLibrary(library, {
        task: 'second',
        timeoutMs: 100,
        onWait: (holder) => {
          heard = holder;
        },
      }),
    ).rejects.toMatchObject({ code: 'CATALOGUE_BUSY', message: expect.stringContaining('importing a card') });
    expect(heard).toContain(`process ${process.pid}`);
    const waiting = holdLibrary(library, { task: 'third', timeoutMs: 5000 });
    release();
    release();
    (await waiting)();
    const stop = new AbortController();
    stop.abort();
    await expect(holdLibrary(library, { task: 'x', signal: stop.signal })).rejects.toMatchObject({
      code: 'CANCELLED',
    });
    library.close();
  });
});

describe('paths', () => {
  it('never leaves the library', () => {
    for (const path of ['../x', 'nights/../../x', '/etc/passwd', 'a/../../..']) {
      expect(() => insideLibrary('/tmp/library', path)).toThrow(
        expect.objectContaining({ code: 'CATALOGUE_DAMAGED' }),
      );
    }
    expect(insideLibrary('/tmp/library', 'nights/..x/y')).toBe('/tmp/library/nights/..x/y');
  });

  it('makes names fit for every file system, and slugs that read', () => {
    expect(safeName('DSC_0001.NEF')).toBe('DSC_0001.NEF');
    expect(safeName('a/b\\c:d?.jpg')).toBe('a_b_c_d_.jpg');
    expect(safeName('..')).toBe('__');
    expect(safeName('con.jpg')).toBe('_con.jpg');
    expect(Buffer.byteLength(safeName(`${'🌌'.repeat(100)}.DNG`))).toBeLessThanOrEqual(255);
    expect(safeName(`${'🌌'.repeat(100)}.DNG`)).toMatch(/🌌\.DNG$/u);
    expect(slug('Sandpiper Flat')).toBe('sandpiper-flat');
    expect(slug('Crête d’Été 2')).toBe('crete-d-ete-2');
    expect(slug('***')).toBe('site');
  });
});

describe('sites, plans and sessions', () => {
  it('finds a site whatever the case, keeps what is known, and has one default', () => {
    const library = openLibrary(scratch(), { mode: 'write' });
    saveSite(library, {
      name: 'North  Ridge',
      latitude: -31,
      longitude: 20,
      zone: 'Africa/Johannesburg',
      isDefault: true,
    });
    saveSite(library, { name: 'north ridge', elevation: 900 });
    saveSite(library, { name: 'Other', isDefault: true });
    expect(sites(library)).toMatchObject([
      { name: 'North Ridge', latitude: -31, elevation: 900, isDefault: false },
      { name: 'Other', isDefault: true },
    ]);
    expect(() => saveSite(library, { name: '  ' })).toThrow(expect.objectContaining({ name: 'InputError' }));
    library.close();
  });

  it('gives plans readable ids, and finds them by their beginning', () => {
    const library = openLibrary(scratch(), { mode: 'write' });
    const site = saveSite(library, { name: 'Flat' });
    const ids = [1, 2].map(
      () => savePlan(library, { night: '2026-08-13', siteId: site.id, target: 'core' }).id,
    );
    expect(ids).toEqual(['2026-08-13-flat', '2026-08-13-flat-2']);
    expect(findPlan(library, '2026-08-13-flat')).toMatchObject({ target: 'core' });
    expect(() => findPlan(library, '2026')).toThrow(/the plans are/);
    expect(plans(library)).toHaveLength(2);
    library.close();
  });

  it('finds a session by latest, id, folder, night and beginning, and says what there is otherwise', () => {
    const library = openLibrary(scratch(), { mode: 'write' });
    expect(() => findSession(library, 'latest')).toThrow(/no nights yet/);
    for (const [night, name] of [
      ['2026-08-13', 'flat'],
      ['2026-08-14', 'flat'],
      ['2026-08-14', 'ridge'],
    ] as const) {
      saveSession(library, { id: `${night}-${name}`, night, zone: 'UTC', folder: `nights/${night} ${name}` });
    }
    const find = (wanted: string) => findSession(library, wanted).id;
    expect(find('latest')).toBe('2026-08-14-flat');
    expect(find('2026-08-13')).toBe('2026-08-13-flat');
    expect(find('2026-08-13 flat')).toBe('2026-08-13-flat');
    expect(find('nights/2026-08-14 ridge/')).toBe('2026-08-14-ridge');
    expect(find('2026-08-14-r')).toBe('2026-08-14-ridge');
    expect(() => find('2026-08-14')).toThrow(/fits 2/);
    expect(() => find("x' OR 1=1 --")).toThrow(expect.objectContaining({ code: 'UNKNOWN_ID' }));
    library.close();
  });
});
