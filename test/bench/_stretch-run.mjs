import { linkSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';

/**
 * Stretches the first run of lights of a library to `count` frames: its files linked under other names, its
 * measurements and its alignment repeated. The pixels do not know; time and memory are those of a long run.
 */
export function stretchRun(libraryDir, count) {
  const db = new Database(join(libraryDir, 'catalogue.sqlite'));
  const [run] = db.prepare("SELECT * FROM sequences WHERE role = 'light' ORDER BY frame_count DESC").all();
  const frames = db.prepare('SELECT * FROM frames WHERE sequence_id = ? ORDER BY position').all(run.id);
  const put = (table, row) => {
    const names = Object.keys(row);
    db.prepare(`INSERT INTO ${table} (${names.join(', ')}) VALUES (${names.map(() => '?').join(', ')})`).run(
      ...Object.values(row),
    );
  };
  const folder = db.prepare('SELECT folder FROM sessions WHERE id = ?').get(run.session_id).folder;
  const alignmentPath = join(libraryDir, folder, 'measure', `run-${run.ordinal}`, 'alignment.json');
  const alignment = JSON.parse(readFileSync(alignmentPath, 'utf8'));
  for (let i = frames.length; i < count; i++) {
    const like = frames[i % frames.length];
    const id = `ffff${String(i).padStart(8, '0')}`;
    put('frames', { ...like, id, position: i, taken_ms: like.taken_ms + 1000 * i });
    put('measurements', {
      ...db.prepare('SELECT * FROM measurements WHERE frame_id = ?').get(like.id),
      frame_id: id,
    });
    const { id: _id, ...file } = db
      .prepare('SELECT * FROM files WHERE frame_id = ? AND is_primary = 1')
      .get(like.id);
    const name = `again-${i}.dng`;
    const path = `${folder}/frames/${name}`;
    linkSync(join(libraryDir, file.path), join(libraryDir, path));
    const sha256 = Buffer.alloc(32);
    sha256.writeUInt32LE(i, 0);
    put('files', { ...file, frame_id: id, path, name, card_path: name, sha256 });
    const fit = alignment.frames.find((frame) => frame.id === like.id);
    alignment.frames.push({ ...fit, id });
  }
  db.close();
  writeFileSync(alignmentPath, JSON.stringify(alignment));
}
