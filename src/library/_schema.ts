/**
 * The catalogue's schema as numbered steps, forward only: step n brings `user_version` from n-1 to n. A step
 * that was released is never edited.
 *
 * Paths are relative to the library with `/`; instants are ms since 1970 UTC; hashes are 32-byte blobs.
 * Frames store what differs from shot to shot; what a run shares (camera, lens ...) is kept once in `settings`.
 */
export const MIGRATIONS: readonly string[] = [
  `
CREATE TABLE sites (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL,
  key TEXT NOT NULL UNIQUE,
  latitude REAL, longitude REAL, zone TEXT, elevation REAL,
  sky_brightness REAL, notes TEXT,
  is_default INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE TABLE plans (
  id TEXT PRIMARY KEY,
  night TEXT NOT NULL,
  site_id INTEGER REFERENCES sites(id),
  target TEXT,
  body TEXT NOT NULL
) STRICT;
CREATE INDEX plans_by_night ON plans(night);

CREATE TABLE sessions (
  id TEXT PRIMARY KEY,
  night TEXT NOT NULL,
  month INTEGER NOT NULL,
  site_id INTEGER REFERENCES sites(id),
  zone TEXT NOT NULL,
  folder TEXT NOT NULL UNIQUE,
  plan_id TEXT REFERENCES plans(id),
  clock_offset REAL NOT NULL DEFAULT 0,
  clock_offsets TEXT,
  remarks TEXT,
  frame_count INTEGER NOT NULL DEFAULT 0,
  light_count INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX sessions_by_night ON sessions(night);
CREATE INDEX sessions_by_month ON sessions(month, night);
CREATE INDEX sessions_by_site ON sessions(site_id, night);
CREATE INDEX sessions_by_plan ON sessions(plan_id) WHERE plan_id IS NOT NULL;

CREATE TABLE settings (id INTEGER PRIMARY KEY, body TEXT NOT NULL UNIQUE) STRICT;

CREATE TABLE sequences (
  id TEXT PRIMARY KEY,
  session_id TEXT NOT NULL REFERENCES sessions(id),
  ordinal INTEGER NOT NULL,
  role TEXT NOT NULL,
  bracketed INTEGER NOT NULL DEFAULT 0,
  segments INTEGER NOT NULL DEFAULT 1,
  segment_starts TEXT,
  camera TEXT, serial TEXT, lens TEXT,
  focal_length REAL, f_number REAL, iso REAL,
  exposure_time REAL, real_exposure_time REAL,
  start_ms INTEGER, end_ms INTEGER, cadence REAL,
  in_camera_dark TEXT, holes TEXT, notes TEXT,
  frame_count INTEGER NOT NULL DEFAULT 0,
  kept INTEGER NOT NULL DEFAULT 0,
  doubtful INTEGER NOT NULL DEFAULT 0,
  dropped INTEGER NOT NULL DEFAULT 0,
  total_exposure REAL NOT NULL DEFAULT 0,
  moonlight REAL, moon_altitude REAL, moon_illumination REAL,
  center_ra REAL, center_dec REAL, target TEXT,
  fwhm REAL, background REAL, limiting TEXT,
  has_stack INTEGER NOT NULL DEFAULT 0,
  UNIQUE (session_id, ordinal)
) STRICT;
CREATE INDEX sequences_by_iso ON sequences(iso, exposure_time);
CREATE INDEX sequences_by_focal ON sequences(focal_length, f_number);
CREATE INDEX sequences_by_exposure ON sequences(exposure_time);
CREATE INDEX sequences_by_f ON sequences(f_number);
CREATE INDEX sequences_by_camera ON sequences(camera);
CREATE INDEX sequences_by_lens ON sequences(lens);
CREATE INDEX sequences_by_role ON sequences(role, kept);
CREATE INDEX sequences_by_kept ON sequences(kept);
CREATE INDEX sequences_by_total ON sequences(total_exposure);
CREATE INDEX sequences_by_target ON sequences(target) WHERE target IS NOT NULL;
CREATE INDEX sequences_by_moon ON sequences(moonlight);
CREATE INDEX sequences_by_fwhm ON sequences(fwhm);
CREATE INDEX sequences_with_stack ON sequences(has_stack) WHERE has_stack = 1;

CREATE TABLE frames (
  id TEXT PRIMARY KEY,
  session_id TEXT NOT NULL REFERENCES sessions(id),
  sequence_id TEXT REFERENCES sequences(id),
  position INTEGER,
  role TEXT NOT NULL,
  chosen_role TEXT,
  role_reason TEXT,
  sound INTEGER NOT NULL,
  taken_ms INTEGER,
  settings_id INTEGER REFERENCES settings(id),
  header TEXT
) STRICT;
CREATE INDEX frames_by_sequence ON frames(sequence_id, position);
CREATE INDEX frames_by_session ON frames(session_id);

CREATE TABLE files (
  id INTEGER PRIMARY KEY,
  frame_id TEXT REFERENCES frames(id),
  kind TEXT NOT NULL,
  is_primary INTEGER NOT NULL DEFAULT 0,
  path TEXT NOT NULL UNIQUE,
  pending_path TEXT,
  sha256 BLOB NOT NULL,
  twin TEXT NOT NULL DEFAULT '',
  edge BLOB NOT NULL,
  size INTEGER NOT NULL,
  name TEXT NOT NULL,
  card_path TEXT NOT NULL,
  modified_ms INTEGER NOT NULL,
  failure TEXT,
  UNIQUE (sha256, twin)
) STRICT;
CREATE INDEX files_by_frame ON files(frame_id);
CREATE INDEX files_by_edge ON files(edge);
CREATE INDEX files_loose ON files(kind) WHERE frame_id IS NULL;
CREATE INDEX files_by_name ON files(name COLLATE NOCASE);
CREATE INDEX files_moving ON files(pending_path) WHERE pending_path IS NOT NULL;

CREATE TABLE second_copies (
  file_id INTEGER NOT NULL REFERENCES files(id),
  root TEXT NOT NULL,
  path TEXT NOT NULL,
  PRIMARY KEY (file_id, root)
) STRICT, WITHOUT ROWID;

CREATE TABLE measurements (
  frame_id TEXT PRIMARY KEY REFERENCES frames(id),
  star_count INTEGER, fwhm REAL, fwhm_minor REAL, elongation REAL,
  trail_length REAL, trail_angle REAL, predicted_trail REAL, extra_trail REAL,
  background REAL, noise REAL, transparency REAL, cloud_cover REAL, fwhm_ratio REAL, weight REAL,
  offset_x REAL, offset_y REAL, offset_rotation REAL,
  segment INTEGER,
  verdict TEXT, measured_verdict TEXT, verdict_by TEXT,
  reasons TEXT, remarks TEXT, extra TEXT
) STRICT, WITHOUT ROWID;

CREATE TABLE alignments (
  sequence_id TEXT PRIMARY KEY REFERENCES sequences(id),
  frame_ids_hash TEXT NOT NULL,
  body TEXT NOT NULL
) STRICT;

CREATE TABLE stacks (
  id INTEGER PRIMARY KEY,
  sequence_id TEXT NOT NULL REFERENCES sequences(id),
  folder TEXT NOT NULL UNIQUE,
  method TEXT, frames_used INTEGER, total_exposure REAL,
  stale INTEGER NOT NULL DEFAULT 0,
  body TEXT NOT NULL
) STRICT;
CREATE INDEX stacks_by_sequence ON stacks(sequence_id);

CREATE TABLE lenses (
  body TEXT NOT NULL, lens TEXT NOT NULL, focal_length REAL NOT NULL,
  model TEXT NOT NULL,
  PRIMARY KEY (body, lens, focal_length)
) STRICT, WITHOUT ROWID;

CREATE TABLE bodies (
  body TEXT NOT NULL, iso REAL NOT NULL,
  noise TEXT NOT NULL,
  PRIMARY KEY (body, iso)
) STRICT, WITHOUT ROWID;

CREATE TABLE masters (
  id TEXT PRIMARY KEY,
  kind TEXT NOT NULL,
  camera TEXT, iso REAL, exposure_time REAL, temperature REAL, night TEXT,
  width INTEGER, height INTEGER, decoder TEXT,
  frame_count INTEGER NOT NULL,
  sequence_id TEXT,
  path TEXT NOT NULL UNIQUE,
  body TEXT NOT NULL
) STRICT;
CREATE INDEX masters_by_match ON masters(kind, camera, iso);

CREATE TABLE tags (
  owner_kind TEXT NOT NULL, owner_id TEXT NOT NULL, tag TEXT NOT NULL,
  PRIMARY KEY (tag, owner_kind, owner_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX tags_by_owner ON tags(owner_kind, owner_id);

CREATE TABLE notes (
  id INTEGER PRIMARY KEY,
  owner_kind TEXT NOT NULL, owner_id TEXT NOT NULL, text TEXT NOT NULL,
  UNIQUE (owner_kind, owner_id)
) STRICT;

CREATE TABLE word_owners (
  id INTEGER PRIMARY KEY,
  owner_kind TEXT NOT NULL, owner_id TEXT NOT NULL,
  UNIQUE (owner_kind, owner_id)
) STRICT;
CREATE VIRTUAL TABLE words USING fts5(text, tokenize = 'unicode61 remove_diacritics 2');
`,
  `
-- Star size in the corners over that in the middle, of kept and doubtful lights.
ALTER TABLE sequences ADD COLUMN corner_ratio REAL;
CREATE INDEX sequences_by_lens_aperture ON sequences(lens, f_number);
`,
  `
-- Where a site's sky brightness is from, in words: a meter, a map.
ALTER TABLE sites ADD COLUMN sky_source TEXT;
`,
  `
-- Runs by where the middle of the picture looks, deg J2000.
CREATE INDEX sequences_by_center ON sequences(center_dec, center_ra) WHERE center_dec IS NOT NULL;
`,
  `
-- Runs by the share of judged lights that was kept, percent; runs not stacked yet; nights without a plan.
CREATE INDEX sequences_by_keep_rate ON sequences(100.0 * kept / nullif(kept + doubtful + dropped, 0));
CREATE INDEX sequences_without_stack ON sequences(has_stack) WHERE has_stack = 0;
CREATE INDEX sessions_without_plan ON sessions(plan_id, night) WHERE plan_id IS NULL;
`,
];

/** Marks the file as ours ('CAIR'). */
export const APPLICATION_ID = 0x43414952;
