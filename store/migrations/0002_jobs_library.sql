-- What belongs to a job beside its engine, its name and its state. The latest
-- row of a key is in force; lists are JSON.
CREATE TABLE job_attribute (
  id     INTEGER PRIMARY KEY,
  ledger INTEGER NOT NULL REFERENCES ledger (id),
  job    INTEGER NOT NULL REFERENCES job (id),
  key    TEXT NOT NULL CHECK (key <> ''),
  value  TEXT NOT NULL,
  actor  TEXT NOT NULL
) STRICT;
CREATE INDEX job_attribute_job ON job_attribute (job, key);

-- The shop's library of engines. A job has a copy of its own.
CREATE TABLE library_engine (
  id              INTEGER PRIMARY KEY CHECK (id > 0),
  ledger          INTEGER NOT NULL REFERENCES ledger (id),
  actor           TEXT NOT NULL,
  idempotency_key TEXT UNIQUE,
  request_hash    BLOB NOT NULL
) STRICT;

CREATE TABLE library_event (
  id          INTEGER PRIMARY KEY,
  ledger      INTEGER NOT NULL REFERENCES ledger (id),
  engine      INTEGER NOT NULL REFERENCES library_engine (id),
  kind        TEXT NOT NULL CHECK (kind IN ('engine', 'state')),
  value       TEXT NOT NULL,  -- the new state; '' for an engine
  engine_json TEXT,
  actor       TEXT NOT NULL
) STRICT;
CREATE INDEX library_event_engine ON library_event (engine, kind);

CREATE TRIGGER job_attribute_no_update BEFORE UPDATE ON job_attribute BEGIN
  SELECT RAISE(ABORT, 'job_attribute: kept rows are never changed'); END;
CREATE TRIGGER job_attribute_no_delete BEFORE DELETE ON job_attribute BEGIN
  SELECT RAISE(ABORT, 'job_attribute: kept rows are never removed'); END;
CREATE TRIGGER job_attribute_no_replace BEFORE INSERT ON job_attribute
  WHEN EXISTS (SELECT 1 FROM job_attribute WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'job_attribute: kept rows are never replaced'); END;

CREATE TRIGGER library_engine_no_update BEFORE UPDATE ON library_engine BEGIN
  SELECT RAISE(ABORT, 'library_engine: kept rows are never changed'); END;
CREATE TRIGGER library_engine_no_delete BEFORE DELETE ON library_engine BEGIN
  SELECT RAISE(ABORT, 'library_engine: kept rows are never removed'); END;
CREATE TRIGGER library_engine_no_replace BEFORE INSERT ON library_engine
  WHEN EXISTS (SELECT 1 FROM library_engine WHERE id = NEW.id OR idempotency_key = NEW.idempotency_key) BEGIN
  SELECT RAISE(ABORT, 'library_engine: kept rows are never replaced'); END;

CREATE TRIGGER library_event_no_update BEFORE UPDATE ON library_event BEGIN
  SELECT RAISE(ABORT, 'library_event: kept rows are never changed'); END;
CREATE TRIGGER library_event_no_delete BEFORE DELETE ON library_event BEGIN
  SELECT RAISE(ABORT, 'library_event: kept rows are never removed'); END;
CREATE TRIGGER library_event_no_replace BEFORE INSERT ON library_event
  WHEN EXISTS (SELECT 1 FROM library_event WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'library_event: kept rows are never replaced'); END;
