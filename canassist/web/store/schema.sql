CREATE TABLE IF NOT EXISTS vehicles(
  id TEXT PRIMARY KEY,
  name TEXT NOT NULL,
  created_s REAL NOT NULL,
  files_key TEXT NOT NULL,
  deleted_s REAL,
  identity TEXT NOT NULL DEFAULT ''
);
CREATE TABLE IF NOT EXISTS vehicle_files(
  vehicle TEXT NOT NULL REFERENCES vehicles(id) ON DELETE CASCADE,
  role TEXT NOT NULL,
  place INTEGER NOT NULL,
  sha256 TEXT NOT NULL,
  name TEXT NOT NULL,
  PRIMARY KEY(vehicle, role, place)
);
CREATE TABLE IF NOT EXISTS settled(
  vehicle TEXT NOT NULL REFERENCES vehicles(id) ON DELETE CASCADE,
  channel TEXT NOT NULL,
  signal TEXT NOT NULL,
  PRIMARY KEY(vehicle, channel)
);
CREATE TABLE IF NOT EXISTS repair_jobs(
  id TEXT PRIMARY KEY,
  created_s REAL NOT NULL,
  complaint TEXT NOT NULL DEFAULT '',
  correction TEXT NOT NULL DEFAULT '',
  vehicle TEXT REFERENCES vehicles(id),
  vehicle_words TEXT NOT NULL DEFAULT '',
  odometer TEXT NOT NULL DEFAULT '',
  work_order TEXT NOT NULL DEFAULT '',
  technician TEXT NOT NULL DEFAULT '',
  opened_by TEXT NOT NULL DEFAULT '',
  closed_s REAL,
  deleted_s REAL
);
CREATE INDEX IF NOT EXISTS jobs_by_order ON repair_jobs(work_order);
CREATE TABLE IF NOT EXISTS repair_checks(
  job TEXT NOT NULL REFERENCES repair_jobs(id) ON DELETE CASCADE,
  place INTEGER NOT NULL,
  text TEXT NOT NULL,
  expect TEXT NOT NULL DEFAULT '',
  measured TEXT NOT NULL DEFAULT '',
  is_done INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY(job, place)
);
CREATE TABLE IF NOT EXISTS rides(
  id TEXT PRIMARY KEY,
  title TEXT NOT NULL,
  state TEXT NOT NULL,
  kind TEXT NOT NULL DEFAULT 'ride',
  sides TEXT NOT NULL DEFAULT '',
  created_s REAL NOT NULL,
  queued_s REAL NOT NULL,
  attempts INTEGER NOT NULL DEFAULT 0,
  input_key TEXT NOT NULL,
  vehicle TEXT REFERENCES vehicles(id),
  vehicle_by TEXT NOT NULL DEFAULT '',
  vehicle_fit TEXT NOT NULL DEFAULT '',
  complaint TEXT NOT NULL DEFAULT '',
  correction TEXT NOT NULL DEFAULT '',
  vehicle_words TEXT NOT NULL DEFAULT '',
  odometer TEXT NOT NULL DEFAULT '',
  work_order TEXT NOT NULL DEFAULT '',
  technician TEXT NOT NULL DEFAULT '',
  equipment TEXT NOT NULL DEFAULT '',
  moments TEXT NOT NULL DEFAULT '',
  page TEXT,
  data TEXT,
  questions TEXT,
  headline TEXT NOT NULL DEFAULT '',
  code TEXT NOT NULL DEFAULT '',
  strength TEXT NOT NULL DEFAULT '',
  start_utc TEXT NOT NULL DEFAULT '',
  duration_s REAL,
  frames INTEGER,
  problem TEXT NOT NULL DEFAULT '',
  fix TEXT NOT NULL DEFAULT '',
  number TEXT NOT NULL DEFAULT '',
  deleted_s REAL,
  job TEXT REFERENCES repair_jobs(id),
  phase TEXT NOT NULL DEFAULT '',
  role TEXT NOT NULL DEFAULT '',
  explains TEXT NOT NULL DEFAULT '',
  rules TEXT NOT NULL DEFAULT '',
  picture TEXT,
  uploaded_by TEXT NOT NULL DEFAULT ''
);
CREATE INDEX IF NOT EXISTS rides_by_time ON rides(deleted_s, created_s);
CREATE INDEX IF NOT EXISTS rides_by_state ON rides(state, queued_s);
CREATE INDEX IF NOT EXISTS rides_by_input ON rides(input_key);
CREATE INDEX IF NOT EXISTS rides_by_job ON rides(job);
CREATE TABLE IF NOT EXISTS ride_files(
  ride TEXT NOT NULL REFERENCES rides(id) ON DELETE CASCADE,
  place INTEGER NOT NULL,
  sha256 TEXT NOT NULL,
  name TEXT NOT NULL,
  bytes INTEGER NOT NULL,
  PRIMARY KEY(ride, place)
);
CREATE TABLE IF NOT EXISTS earlier_reports(
  ride TEXT NOT NULL REFERENCES rides(id) ON DELETE CASCADE,
  place INTEGER NOT NULL,
  replaced_s REAL NOT NULL,
  page TEXT NOT NULL,
  data TEXT NOT NULL,
  headline TEXT NOT NULL,
  PRIMARY KEY(ride, place)
);
CREATE TABLE IF NOT EXISTS products(
  source TEXT NOT NULL,
  kind TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  PRIMARY KEY(source, kind)
);
CREATE TABLE IF NOT EXISTS ended_sessions(
  name TEXT PRIMARY KEY,
  until_s REAL NOT NULL
);
CREATE TABLE IF NOT EXISTS found_files(
  sha256 TEXT PRIMARY KEY
);
CREATE TABLE IF NOT EXISTS shop(
  id TEXT PRIMARY KEY,
  name TEXT NOT NULL DEFAULT '',
  units TEXT NOT NULL DEFAULT 'metric',
  zone TEXT NOT NULL DEFAULT '',
  undo_hours INTEGER NOT NULL DEFAULT 24,
  bin_days INTEGER NOT NULL DEFAULT 14,
  signs INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE IF NOT EXISTS changes(
  place INTEGER PRIMARY KEY,
  at_s REAL NOT NULL,
  who TEXT NOT NULL,
  what TEXT NOT NULL,
  of TEXT NOT NULL
);
