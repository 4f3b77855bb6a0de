import { number, type Row, row, rows, run, upsert } from './_rows.js';
import { inTransaction, type Library } from './library.js';
import { siteNamed } from './sites.js';
import { type OwnerKind, reindexWords } from './words.js';

/** Name and folder of a session in the library it comes to. */
export interface SessionName {
  readonly id: string;
  /** Relative to the library, `/` between parts. */
  readonly folder: string;
}

/** Adds a row; columns are those of the record. */
function insert(library: Library, table: string, record: Row): number {
  const columns = Object.keys(record);
  const { lastInsertRowid } = run(
    library,
    `INSERT INTO ${table} (${columns.join(', ')}) VALUES (${columns.map(() => '?').join(', ')})`,
    ...Object.values(record),
  );
  return Number(lastInsertRowid);
}

const without = (cells: Row, ...columns: readonly string[]): Row =>
  Object.fromEntries(Object.entries(cells).filter(([column]) => !columns.includes(column)));

/** The site of the same name in the other library, made there when it is new; its id there. */
export function siteAcross(from: Library, to: Library, siteId: number): number {
  const cells = row(from, 'SELECT * FROM sites WHERE id = ?', siteId)!;
  const known = siteNamed(to, String(cells.name));
  if (known) return known.id;
  return insert(to, 'sites', { ...without(cells, 'id'), is_default: 0 });
}

/** The same plan in the other library, added when it is new; its id there. */
export function planAcross(from: Library, to: Library, planId: string): string {
  const cells = row(from, 'SELECT * FROM plans WHERE id = ?', planId)!;
  for (let n = 1; ; n++) {
    const id = n === 1 ? planId : `${planId}-${n}`;
    const there = row(to, 'SELECT body FROM plans WHERE id = ?', id);
    if (there && there.body !== cells.body) continue;
    if (!there) {
      const siteId = number(cells.site_id);
      insert(to, 'plans', {
        ...cells,
        id,
        site_id: siteId === undefined ? null : siteAcross(from, to, siteId),
      });
    }
    return id;
  }
}

/**
 * Writes the rows of a session into another library under a name of its own, in one transaction: site, plan,
 * runs, frames, files, measurements, a person's choices, alignments, stacks, notes and tags. Nothing happens
 * when they are there already. Files are not touched.
 */
export function copySessionRows(from: Library, to: Library, sessionId: string, name: SessionName): void {
  const session = row(from, 'SELECT * FROM sessions WHERE id = ?', sessionId)!;
  const oldFolder = String(session.folder);
  const moved = (path: unknown): string =>
    String(path).startsWith(`${oldFolder}/`)
      ? `${name.folder}${String(path).slice(oldFolder.length)}`
      : String(path);
  const sequenceId = (id: unknown): string | null =>
    id === null || id === undefined ? null : `${name.id}${String(id).slice(sessionId.length)}`;
  inTransaction(to, () => {
    if (row(to, 'SELECT 1 FROM sessions WHERE id = ?', name.id)) return;
    const siteId = number(session.site_id);
    insert(to, 'sessions', {
      ...session,
      id: name.id,
      folder: name.folder,
      site_id: siteId === undefined ? null : siteAcross(from, to, siteId),
      plan_id: typeof session.plan_id === 'string' ? planAcross(from, to, session.plan_id) : null,
    });
    const sequences = rows(from, 'SELECT * FROM sequences WHERE session_id = ? ORDER BY ordinal', sessionId);
    for (const cells of sequences) {
      insert(to, 'sequences', { ...cells, id: sequenceId(cells.id), session_id: name.id });
    }
    copyFrames(from, to, { sessionId, name, moved, sequenceId });
    const runs = 'SELECT id FROM sequences WHERE session_id = ?';
    for (const cells of rows(from, `SELECT * FROM alignments WHERE sequence_id IN (${runs})`, sessionId)) {
      insert(to, 'alignments', { ...cells, sequence_id: sequenceId(cells.sequence_id) });
    }
    const stackIds = new Map<string, string>();
    for (const cells of rows(
      from,
      `SELECT * FROM stacks WHERE sequence_id IN (${runs}) ORDER BY id`,
      sessionId,
    )) {
      const id = insert(to, 'stacks', {
        ...without(cells, 'id'),
        sequence_id: sequenceId(cells.sequence_id),
        folder: moved(cells.folder),
        // Paths of the result files stand in the body as JSON strings.
        body: String(cells.body).replaceAll(JSON.stringify(`${oldFolder}/`).slice(0, -1), () =>
          JSON.stringify(`${name.folder}/`).slice(0, -1),
        ),
      });
      stackIds.set(String(cells.id), String(id));
    }
    copyWords(from, to, {
      session: new Map([[sessionId, name.id]]),
      sequence: new Map(sequences.map(({ id }) => [String(id), sequenceId(id)!])),
      stack: stackIds,
      frame: new Map(
        rows(from, 'SELECT id FROM frames WHERE session_id = ?', sessionId).map(({ id }) => [
          String(id),
          String(id),
        ]),
      ),
    });
  });
}

function copyFrames(
  from: Library,
  to: Library,
  work: {
    readonly sessionId: string;
    readonly name: SessionName;
    readonly moved: (path: unknown) => string;
    readonly sequenceId: (id: unknown) => string | null;
  },
): void {
  const ofSession = 'SELECT id FROM frames WHERE session_id = ?';
  for (const cells of rows(
    from,
    `SELECT frames.*, settings.body AS shared FROM frames LEFT JOIN settings ON settings.id = settings_id
     WHERE session_id = ?`,
    work.sessionId,
  )) {
    const { shared } = cells;
    if (typeof shared === 'string')
      run(to, 'INSERT INTO settings (body) VALUES (?) ON CONFLICT DO NOTHING', shared);
    insert(to, 'frames', {
      ...without(cells, 'shared'),
      session_id: work.name.id,
      sequence_id: work.sequenceId(cells.sequence_id),
      settings_id:
        typeof shared === 'string' ? row(to, 'SELECT id FROM settings WHERE body = ?', shared)!.id! : null,
    });
  }
  for (const cells of rows(from, `SELECT * FROM files WHERE frame_id IN (${ofSession})`, work.sessionId)) {
    const id = insert(to, 'files', {
      ...without(cells, 'id'),
      path: work.moved(cells.pending_path ?? cells.path),
      pending_path: null,
    });
    for (const copy of rows(from, 'SELECT * FROM second_copies WHERE file_id = ?', cells.id)) {
      insert(to, 'second_copies', { ...copy, file_id: id });
    }
  }
  for (const cells of rows(
    from,
    `SELECT * FROM measurements WHERE frame_id IN (${ofSession})`,
    work.sessionId,
  )) {
    insert(to, 'measurements', cells);
  }
}

function copyWords(
  from: Library,
  to: Library,
  owners: Readonly<Record<OwnerKind, ReadonlyMap<string, string>>>,
): void {
  for (const kind of ['session', 'sequence', 'stack', 'frame'] as const) {
    const said = new Set<string>();
    for (const table of ['notes', 'tags'] as const) {
      for (const cells of rows(from, `SELECT * FROM ${table} WHERE owner_kind = ?`, kind)) {
        const id = owners[kind].get(String(cells.owner_id));
        if (id === undefined) continue;
        insert(to, table, { ...without(cells, 'id'), owner_id: id });
        said.add(id);
      }
    }
    // A session is found by its place and plan even without a word of a person.
    for (const id of kind === 'session' ? owners[kind].values() : said) reindexWords(to, kind, id);
  }
}

/** Takes the rows of a session out of a catalogue, in one transaction. Files are not touched. */
export function deleteSessionRows(library: Library, sessionId: string): void {
  const frames = 'SELECT id FROM frames WHERE session_id = @id';
  const runs = 'SELECT id FROM sequences WHERE session_id = @id';
  const stacks = `SELECT id FROM stacks WHERE sequence_id IN (${runs})`;
  const owned = `(owner_kind = 'session' AND owner_id = @id) OR (owner_kind = 'sequence' AND owner_id IN (${runs}))
    OR (owner_kind = 'frame' AND owner_id IN (${frames}))
    OR (owner_kind = 'stack' AND owner_id IN (SELECT CAST(id AS TEXT) FROM stacks WHERE sequence_id IN (${runs})))`;
  inTransaction(library, () => {
    for (const sql of [
      `DELETE FROM words WHERE rowid IN (SELECT id FROM word_owners WHERE ${owned})`,
      `DELETE FROM word_owners WHERE ${owned}`,
      `DELETE FROM notes WHERE ${owned}`,
      `DELETE FROM tags WHERE ${owned}`,
      `DELETE FROM measurements WHERE frame_id IN (${frames})`,
      `DELETE FROM second_copies WHERE file_id IN (SELECT id FROM files WHERE frame_id IN (${frames}))`,
      `DELETE FROM files WHERE frame_id IN (${frames})`,
      `DELETE FROM stacks WHERE id IN (${stacks})`,
      `DELETE FROM alignments WHERE sequence_id IN (${runs})`,
      'DELETE FROM frames WHERE session_id = @id',
      'DELETE FROM sequences WHERE session_id = @id',
      'DELETE FROM sessions WHERE id = @id',
    ]) {
      run(library, sql, { id: sessionId });
    }
  });
}

/** What bodies and lenses were measured to be, where the other library does not know better. */
export function copyGear(from: Library, to: Library): void {
  inTransaction(to, () => {
    for (const table of ['lenses', 'bodies'] as const) {
      for (const cells of rows(from, `SELECT * FROM ${table}`)) {
        const columns = Object.keys(cells);
        run(
          to,
          `INSERT OR IGNORE INTO ${table} (${columns.join(', ')}) VALUES (${columns.map(() => '?').join(', ')})`,
          ...Object.values(cells),
        );
      }
    }
  });
}

/** Adds a master's row to the other library, or replaces it. */
export function copyMasterRow(from: Library, to: Library, id: string): void {
  inTransaction(to, () => {
    upsert(to, 'masters', ['id'], row(from, 'SELECT * FROM masters WHERE id = ?', id)!);
  });
}
