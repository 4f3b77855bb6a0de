import { row, rows, run, text } from './_rows.js';
import { inTransaction, type Library } from './library.js';

/** What notes and tags can hang on. */
export type OwnerKind = 'session' | 'sequence' | 'stack' | 'frame';

/** The photographer's notes on something; the empty string when there are none. */
export const notesOf = (library: Library, kind: OwnerKind, id: string): string =>
  text(row(library, 'SELECT text FROM notes WHERE owner_kind = ? AND owner_id = ?', kind, id)?.text) ?? '';

/** Replaces the notes; an empty text takes them away. */
export function setNotes(library: Library, owner: { kind: OwnerKind; id: string }, notes: string): void {
  inTransaction(library, () => {
    run(library, 'DELETE FROM notes WHERE owner_kind = ? AND owner_id = ?', owner.kind, owner.id);
    if (notes.trim() !== '') {
      run(
        library,
        'INSERT INTO notes (owner_kind, owner_id, text) VALUES (?, ?, ?)',
        owner.kind,
        owner.id,
        notes,
      );
    }
    reindexWords(library, owner.kind, owner.id);
  });
}

/** One spelling of a tag: lower case, single spaces. */
export const tagKey = (tag: string): string => tag.normalize('NFC').trim().toLowerCase().replace(/\s+/g, ' ');

/** Tags of something, in alphabetical order. */
export const tagsOf = (library: Library, kind: OwnerKind, id: string): string[] =>
  rows(library, 'SELECT tag FROM tags WHERE owner_kind = ? AND owner_id = ? ORDER BY tag', kind, id).map(
    (found) => String(found.tag),
  );

/** Replaces the tags. */
export function setTags(
  library: Library,
  owner: { kind: OwnerKind; id: string },
  tags: readonly string[],
): void {
  inTransaction(library, () => {
    run(library, 'DELETE FROM tags WHERE owner_kind = ? AND owner_id = ?', owner.kind, owner.id);
    for (const tag of new Set(tags.map(tagKey).filter((key) => key !== ''))) {
      run(
        library,
        'INSERT INTO tags (owner_kind, owner_id, tag) VALUES (?, ?, ?)',
        owner.kind,
        owner.id,
        tag,
      );
    }
    reindexWords(library, owner.kind, owner.id);
  });
}

/** Writes the full-text entry of something anew: notes, tags, and for a session its site, plan and folder. */
export function reindexWords(library: Library, kind: OwnerKind, id: string): void {
  const parts = [notesOf(library, kind, id), ...tagsOf(library, kind, id)];
  if (kind === 'session') {
    const about = row(
      library,
      `SELECT s.id, s.remarks, sites.name AS site, sites.notes AS site_notes, plans.target, plans.body ->> '$.notes' AS plan_notes
       FROM sessions s LEFT JOIN sites ON sites.id = s.site_id LEFT JOIN plans ON plans.id = s.plan_id WHERE s.id = ?`,
      id,
    );
    if (about) {
      for (const cell of [about.id, about.site, about.site_notes, about.target, about.plan_notes]) {
        if (typeof cell === 'string') parts.push(cell);
      }
    }
  }
  run(
    library,
    'DELETE FROM words WHERE rowid = (SELECT id FROM word_owners WHERE owner_kind = ? AND owner_id = ?)',
    kind,
    id,
  );
  const body = parts.filter((part) => part !== '').join('\n');
  if (body === '') return;
  run(library, 'INSERT OR IGNORE INTO word_owners (owner_kind, owner_id) VALUES (?, ?)', kind, id);
  run(
    library,
    'INSERT INTO words (rowid, text) SELECT id, ? FROM word_owners WHERE owner_kind = ? AND owner_id = ?',
    body,
    kind,
    id,
  );
}
