-- The shop's register: indicators, encoders, and the references they are held against.
CREATE TABLE instrument (
  id              INTEGER PRIMARY KEY CHECK (id > 0),
  ledger          INTEGER NOT NULL REFERENCES ledger (id),
  actor           TEXT NOT NULL,
  idempotency_key TEXT UNIQUE,
  request_hash    BLOB NOT NULL
) STRICT;

CREATE TABLE instrument_event (
  id          INTEGER PRIMARY KEY,
  ledger      INTEGER NOT NULL REFERENCES ledger (id),
  instrument  INTEGER NOT NULL REFERENCES instrument (id),
  kind        TEXT NOT NULL CHECK (kind IN ('record', 'state')),
  value       TEXT NOT NULL,  -- the new state; '' for a record
  record_json TEXT,
  actor       TEXT NOT NULL
) STRICT;
CREATE INDEX instrument_event_instrument ON instrument_event (instrument, kind);

-- One run of points of an instrument against a reference, or a check: one point
-- between two calibrations. It runs until an event ends it.
CREATE TABLE calibration (
  id              INTEGER PRIMARY KEY CHECK (id > 0),
  ledger          INTEGER NOT NULL REFERENCES ledger (id),
  instrument      INTEGER NOT NULL REFERENCES instrument (id),
  reference       INTEGER REFERENCES instrument (id),  -- NULL: nobody said
  kind            TEXT NOT NULL CHECK (kind IN ('calibration', 'check')),
  plan_json       TEXT NOT NULL,
  conditions_json TEXT NOT NULL,
  actor           TEXT NOT NULL,
  idempotency_key TEXT UNIQUE,
  request_hash    BLOB NOT NULL
) STRICT;
CREATE INDEX calibration_instrument ON calibration (instrument);

-- What the reference said, and the reading that stood beside it.
CREATE TABLE calibration_point (
  id           INTEGER PRIMARY KEY CHECK (id > 0),
  ledger       INTEGER NOT NULL REFERENCES ledger (id),
  calibration  INTEGER NOT NULL REFERENCES calibration (id),
  run          INTEGER NOT NULL CHECK (run > 0),
  direction    TEXT NOT NULL CHECK (direction IN ('up', 'down', 'repeat')),
  reference_mm REAL NOT NULL,
  stream       INTEGER NOT NULL REFERENCES stream (id),
  seq          INTEGER NOT NULL,
  UNIQUE (stream, seq)
) STRICT;
CREATE INDEX calibration_point_calibration ON calibration_point (calibration);

CREATE TABLE calibration_event (
  id          INTEGER PRIMARY KEY,
  ledger      INTEGER NOT NULL REFERENCES ledger (id),
  calibration INTEGER NOT NULL REFERENCES calibration (id),
  kind        TEXT NOT NULL CHECK (kind IN ('taken_back', 'taken_up', 'ended', 'conditions')),
  point       INTEGER REFERENCES calibration_point (id),  -- that was taken back; else NULL
  value       TEXT NOT NULL,  -- why it ended; the conditions in JSON
  actor       TEXT NOT NULL
) STRICT;
CREATE INDEX calibration_event_calibration ON calibration_event (calibration, kind);

-- Certificates, frozen: of an indicator's calibration, or of an encoder by a job.
CREATE TABLE certificate (
  id              INTEGER PRIMARY KEY CHECK (id > 0),
  ledger          INTEGER NOT NULL REFERENCES ledger (id),
  instrument      INTEGER NOT NULL REFERENCES instrument (id),
  calibration     INTEGER REFERENCES calibration (id),
  job             INTEGER REFERENCES job (id),
  version         INTEGER NOT NULL,  -- 1, 2, … of the instrument
  document        BLOB NOT NULL,
  hash            BLOB NOT NULL CHECK (length(hash) = 32),
  actor           TEXT NOT NULL,
  idempotency_key TEXT UNIQUE,
  request_hash    BLOB NOT NULL,
  UNIQUE (instrument, version),
  CHECK ((calibration IS NULL) <> (job IS NULL))
) STRICT;

CREATE TRIGGER instrument_no_update BEFORE UPDATE ON instrument BEGIN
  SELECT RAISE(ABORT, 'instrument: kept rows are never changed'); END;
CREATE TRIGGER instrument_no_delete BEFORE DELETE ON instrument BEGIN
  SELECT RAISE(ABORT, 'instrument: kept rows are never removed'); END;
CREATE TRIGGER instrument_no_replace BEFORE INSERT ON instrument
  WHEN EXISTS (SELECT 1 FROM instrument WHERE id = NEW.id OR idempotency_key = NEW.idempotency_key) BEGIN
  SELECT RAISE(ABORT, 'instrument: kept rows are never replaced'); END;

CREATE TRIGGER instrument_event_no_update BEFORE UPDATE ON instrument_event BEGIN
  SELECT RAISE(ABORT, 'instrument_event: kept rows are never changed'); END;
CREATE TRIGGER instrument_event_no_delete BEFORE DELETE ON instrument_event BEGIN
  SELECT RAISE(ABORT, 'instrument_event: kept rows are never removed'); END;
CREATE TRIGGER instrument_event_no_replace BEFORE INSERT ON instrument_event
  WHEN EXISTS (SELECT 1 FROM instrument_event WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'instrument_event: kept rows are never replaced'); END;

CREATE TRIGGER calibration_no_update BEFORE UPDATE ON calibration BEGIN
  SELECT RAISE(ABORT, 'calibration: kept rows are never changed'); END;
CREATE TRIGGER calibration_no_delete BEFORE DELETE ON calibration BEGIN
  SELECT RAISE(ABORT, 'calibration: kept rows are never removed'); END;
CREATE TRIGGER calibration_no_replace BEFORE INSERT ON calibration
  WHEN EXISTS (SELECT 1 FROM calibration WHERE id = NEW.id OR idempotency_key = NEW.idempotency_key) BEGIN
  SELECT RAISE(ABORT, 'calibration: kept rows are never replaced'); END;

CREATE TRIGGER calibration_point_no_update BEFORE UPDATE ON calibration_point BEGIN
  SELECT RAISE(ABORT, 'calibration_point: kept rows are never changed'); END;
CREATE TRIGGER calibration_point_no_delete BEFORE DELETE ON calibration_point BEGIN
  SELECT RAISE(ABORT, 'calibration_point: kept rows are never removed'); END;
CREATE TRIGGER calibration_point_no_replace BEFORE INSERT ON calibration_point
  WHEN EXISTS (SELECT 1 FROM calibration_point WHERE id = NEW.id OR (stream = NEW.stream AND seq = NEW.seq)) BEGIN
  SELECT RAISE(ABORT, 'calibration_point: kept rows are never replaced'); END;

CREATE TRIGGER calibration_event_no_update BEFORE UPDATE ON calibration_event BEGIN
  SELECT RAISE(ABORT, 'calibration_event: kept rows are never changed'); END;
CREATE TRIGGER calibration_event_no_delete BEFORE DELETE ON calibration_event BEGIN
  SELECT RAISE(ABORT, 'calibration_event: kept rows are never removed'); END;
CREATE TRIGGER calibration_event_no_replace BEFORE INSERT ON calibration_event
  WHEN EXISTS (SELECT 1 FROM calibration_event WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'calibration_event: kept rows are never replaced'); END;

CREATE TRIGGER certificate_no_update BEFORE UPDATE ON certificate BEGIN
  SELECT RAISE(ABORT, 'certificate: kept rows are never changed'); END;
CREATE TRIGGER certificate_no_delete BEFORE DELETE ON certificate BEGIN
  SELECT RAISE(ABORT, 'certificate: kept rows are never removed'); END;
CREATE TRIGGER certificate_no_replace BEFORE INSERT ON certificate
  WHEN EXISTS (SELECT 1 FROM certificate WHERE id = NEW.id OR idempotency_key = NEW.idempotency_key OR (instrument = NEW.instrument AND version = NEW.version)) BEGIN
  SELECT RAISE(ABORT, 'certificate: kept rows are never replaced'); END;
