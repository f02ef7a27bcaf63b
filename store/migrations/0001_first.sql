-- One row for each commit: hash = SHA-256(prev ‖ canonical rows), see ledger.go.
CREATE TABLE ledger (
  id       INTEGER PRIMARY KEY CHECK (id > 0),
  session  INTEGER NOT NULL REFERENCES session (id) DEFERRABLE INITIALLY DEFERRED,
  t_ns     INTEGER NOT NULL,  -- since session start, monotonic
  unix_ns  INTEGER NOT NULL,
  prev     BLOB NOT NULL CHECK (length(prev) = 32),
  hash     BLOB NOT NULL CHECK (length(hash) = 32),
  manifest BLOB NOT NULL      -- where to look if the hash does not fit, see ledger.go
) STRICT;

-- Whose store this is. The latest row is in force.
CREATE TABLE bench (
  id           INTEGER PRIMARY KEY,
  ledger       INTEGER NOT NULL REFERENCES ledger (id),
  uid          TEXT NOT NULL,
  name         TEXT NOT NULL,
  made_unix_ns INTEGER NOT NULL,
  forked_from  TEXT
) STRICT;

-- One opening for writing. All t_ns count from its start.
CREATE TABLE session (
  id            INTEGER PRIMARY KEY,
  ledger        INTEGER NOT NULL REFERENCES ledger (id),
  boot_id       TEXT NOT NULL,
  start_unix_ns INTEGER NOT NULL,
  software      TEXT NOT NULL,
  simulated     INTEGER NOT NULL CHECK (simulated IN (0, 1))
) STRICT;

-- What the wall clock said, each minute of recording and where it jumped.
CREATE TABLE clock_mark (
  id      INTEGER PRIMARY KEY,
  ledger  INTEGER NOT NULL REFERENCES ledger (id),
  session INTEGER NOT NULL REFERENCES session (id),
  t_ns    INTEGER NOT NULL,
  unix_ns INTEGER NOT NULL,
  synced  INTEGER NOT NULL CHECK (synced IN (0, 1))
) STRICT;

-- One opening of one port by one instrument.
CREATE TABLE stream (
  id          INTEGER PRIMARY KEY CHECK (id > 0),
  ledger      INTEGER NOT NULL REFERENCES ledger (id),
  session     INTEGER NOT NULL REFERENCES session (id),
  kind        TEXT NOT NULL CHECK (kind IN ('encoder', 'indicator')),
  name        TEXT NOT NULL,
  port        TEXT NOT NULL,
  identity    TEXT NOT NULL,
  config_json TEXT NOT NULL,
  t_ns        INTEGER NOT NULL
) STRICT;

-- From this reading on a stream has a new mount, setup or zeroing.
CREATE TABLE datum (
  id       INTEGER PRIMARY KEY CHECK (id > 0),
  ledger   INTEGER NOT NULL REFERENCES ledger (id),
  stream   INTEGER NOT NULL REFERENCES stream (id),
  from_seq INTEGER NOT NULL,
  kind     TEXT NOT NULL CHECK (kind IN ('mount', 'setup', 'zeroing')),
  number   INTEGER NOT NULL,
  cause    TEXT NOT NULL
) STRICT;
CREATE INDEX datum_at ON datum (stream, kind, from_seq);

-- Which readings a commit brought.
CREATE TABLE ledger_span (
  stream   INTEGER NOT NULL REFERENCES stream (id),
  ledger   INTEGER NOT NULL REFERENCES ledger (id),
  seq_from INTEGER NOT NULL,
  seq_to   INTEGER NOT NULL CHECK (seq_to >= seq_from),
  PRIMARY KEY (stream, ledger)
) STRICT, WITHOUT ROWID;

-- One value as an instrument said it.
CREATE TABLE reading (
  stream   INTEGER NOT NULL,
  seq      INTEGER NOT NULL,
  t_ns     INTEGER NOT NULL,
  burst    INTEGER NOT NULL,
  ticks    INTEGER NOT NULL,
  decimals INTEGER NOT NULL,
  unit     INTEGER NOT NULL,
  raw      BLOB NOT NULL,
  PRIMARY KEY (stream, seq)
) STRICT, WITHOUT ROWID;

-- Readings known to be missing or unusable.
CREATE TABLE gap (
  id        INTEGER PRIMARY KEY,
  ledger    INTEGER NOT NULL REFERENCES ledger (id),
  stream    INTEGER NOT NULL REFERENCES stream (id),
  after_seq INTEGER NOT NULL,
  t_ns      INTEGER NOT NULL,
  reason    TEXT NOT NULL,
  n         INTEGER NOT NULL,
  raw       BLOB
) STRICT;

CREATE TABLE job (
  id              INTEGER PRIMARY KEY CHECK (id > 0),
  ledger          INTEGER NOT NULL REFERENCES ledger (id),
  name            TEXT NOT NULL,
  actor           TEXT NOT NULL,
  idempotency_key TEXT UNIQUE,
  request_hash    BLOB NOT NULL
) STRICT;

CREATE TABLE job_event (
  id          INTEGER PRIMARY KEY,
  ledger      INTEGER NOT NULL REFERENCES ledger (id),
  job         INTEGER NOT NULL REFERENCES job (id),
  kind        TEXT NOT NULL CHECK (kind IN ('engine', 'name', 'state')),
  value       TEXT NOT NULL,  -- the new name or state; '' for an engine
  engine_json TEXT,
  actor       TEXT NOT NULL
) STRICT;
CREATE INDEX job_event_job ON job_event (job, kind);

-- Which cylinder each indicator stands on. job NULL: nothing is selected.
CREATE TABLE selection (
  id             INTEGER PRIMARY KEY,
  ledger         INTEGER NOT NULL REFERENCES ledger (id),
  job            INTEGER REFERENCES job (id),
  cylinders_json TEXT NOT NULL,
  t_ns           INTEGER NOT NULL,
  actor          TEXT NOT NULL
) STRICT;

-- A damper mark stood under the pointer.
CREATE TABLE mark (
  id         INTEGER PRIMARY KEY,
  ledger     INTEGER NOT NULL REFERENCES ledger (id),
  job        INTEGER NOT NULL REFERENCES job (id),
  mark_deg   REAL NOT NULL,
  enc_stream INTEGER NOT NULL REFERENCES stream (id),
  enc_seq    INTEGER NOT NULL,
  approach   INTEGER NOT NULL CHECK (approach IN (-1, 0, 1)),
  t_ns       INTEGER NOT NULL
) STRICT;
CREATE INDEX mark_job ON mark (job);

-- The last motion was in running direction.
CREATE TABLE direction (
  id         INTEGER PRIMARY KEY,
  ledger     INTEGER NOT NULL REFERENCES ledger (id),
  job        INTEGER NOT NULL REFERENCES job (id),
  sign       INTEGER NOT NULL CHECK (sign IN (-1, 1)),
  moved_deg  REAL NOT NULL,
  enc_stream INTEGER NOT NULL REFERENCES stream (id),
  enc_seq    INTEGER NOT NULL,
  t_ns       INTEGER NOT NULL
) STRICT;
CREATE INDEX direction_job ON direction (job);

-- A span of readings on an indicator stream and an encoder stream.
CREATE TABLE sweep (
  id            INTEGER PRIMARY KEY CHECK (id > 0),
  ledger        INTEGER NOT NULL REFERENCES ledger (id),
  job           INTEGER NOT NULL REFERENCES job (id),
  cylinder      INTEGER NOT NULL,
  indicator     TEXT NOT NULL,
  ind_stream    INTEGER NOT NULL REFERENCES stream (id),
  enc_stream    INTEGER NOT NULL REFERENCES stream (id),
  ind_from      INTEGER NOT NULL,
  enc_from      INTEGER NOT NULL,
  detector_json TEXT NOT NULL,
  t_ns          INTEGER NOT NULL
) STRICT;
CREATE INDEX sweep_job ON sweep (job);
CREATE INDEX sweep_ind ON sweep (ind_stream, ind_from);

-- A sweep without one is running or unfinished.
CREATE TABLE sweep_end (
  sweep     INTEGER PRIMARY KEY REFERENCES sweep (id),
  ledger    INTEGER NOT NULL REFERENCES ledger (id),
  ind_to    INTEGER NOT NULL,
  enc_to    INTEGER NOT NULL,
  direction INTEGER NOT NULL CHECK (direction IN (-1, 0, 1)),
  cause     TEXT NOT NULL,
  t_ns      INTEGER NOT NULL
) STRICT;

CREATE TABLE sweep_event (
  id       INTEGER PRIMARY KEY,
  ledger   INTEGER NOT NULL REFERENCES ledger (id),
  sweep    INTEGER NOT NULL REFERENCES sweep (id),
  kind     TEXT NOT NULL CHECK (kind IN ('set_aside', 'restored', 'assigned')),
  cylinder INTEGER,
  reason   TEXT NOT NULL,
  actor    TEXT NOT NULL
) STRICT;
CREATE INDEX sweep_event_sweep ON sweep_event (sweep);

-- Issued reports, frozen.
CREATE TABLE report (
  id       INTEGER PRIMARY KEY,
  ledger   INTEGER NOT NULL REFERENCES ledger (id),
  job      INTEGER NOT NULL REFERENCES job (id),
  number   INTEGER NOT NULL,
  document BLOB NOT NULL,
  hash     BLOB NOT NULL CHECK (length(hash) = 32),
  actor    TEXT NOT NULL,
  UNIQUE (job, number)
) STRICT;

-- Nothing kept is ever changed, removed or replaced. INSERT OR REPLACE removes
-- rows without asking the DELETE triggers, hence the ones on INSERT.

CREATE TRIGGER ledger_no_update BEFORE UPDATE ON ledger BEGIN
  SELECT RAISE(ABORT, 'ledger: kept rows are never changed'); END;
CREATE TRIGGER ledger_no_delete BEFORE DELETE ON ledger BEGIN
  SELECT RAISE(ABORT, 'ledger: kept rows are never removed'); END;
CREATE TRIGGER ledger_no_replace BEFORE INSERT ON ledger
  WHEN EXISTS (SELECT 1 FROM ledger WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'ledger: kept rows are never replaced'); END;

CREATE TRIGGER bench_no_update BEFORE UPDATE ON bench BEGIN
  SELECT RAISE(ABORT, 'bench: kept rows are never changed'); END;
CREATE TRIGGER bench_no_delete BEFORE DELETE ON bench BEGIN
  SELECT RAISE(ABORT, 'bench: kept rows are never removed'); END;
CREATE TRIGGER bench_no_replace BEFORE INSERT ON bench
  WHEN EXISTS (SELECT 1 FROM bench WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'bench: kept rows are never replaced'); END;

CREATE TRIGGER session_no_update BEFORE UPDATE ON session BEGIN
  SELECT RAISE(ABORT, 'session: kept rows are never changed'); END;
CREATE TRIGGER session_no_delete BEFORE DELETE ON session BEGIN
  SELECT RAISE(ABORT, 'session: kept rows are never removed'); END;
CREATE TRIGGER session_no_replace BEFORE INSERT ON session
  WHEN EXISTS (SELECT 1 FROM session WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'session: kept rows are never replaced'); END;

CREATE TRIGGER clock_mark_no_update BEFORE UPDATE ON clock_mark BEGIN
  SELECT RAISE(ABORT, 'clock_mark: kept rows are never changed'); END;
CREATE TRIGGER clock_mark_no_delete BEFORE DELETE ON clock_mark BEGIN
  SELECT RAISE(ABORT, 'clock_mark: kept rows are never removed'); END;
CREATE TRIGGER clock_mark_no_replace BEFORE INSERT ON clock_mark
  WHEN EXISTS (SELECT 1 FROM clock_mark WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'clock_mark: kept rows are never replaced'); END;

CREATE TRIGGER stream_no_update BEFORE UPDATE ON stream BEGIN
  SELECT RAISE(ABORT, 'stream: kept rows are never changed'); END;
CREATE TRIGGER stream_no_delete BEFORE DELETE ON stream BEGIN
  SELECT RAISE(ABORT, 'stream: kept rows are never removed'); END;
CREATE TRIGGER stream_no_replace BEFORE INSERT ON stream
  WHEN EXISTS (SELECT 1 FROM stream WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'stream: kept rows are never replaced'); END;

CREATE TRIGGER datum_no_update BEFORE UPDATE ON datum BEGIN
  SELECT RAISE(ABORT, 'datum: kept rows are never changed'); END;
CREATE TRIGGER datum_no_delete BEFORE DELETE ON datum BEGIN
  SELECT RAISE(ABORT, 'datum: kept rows are never removed'); END;
CREATE TRIGGER datum_no_replace BEFORE INSERT ON datum
  WHEN EXISTS (SELECT 1 FROM datum WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'datum: kept rows are never replaced'); END;

CREATE TRIGGER ledger_span_no_update BEFORE UPDATE ON ledger_span BEGIN
  SELECT RAISE(ABORT, 'ledger_span: kept rows are never changed'); END;
CREATE TRIGGER ledger_span_no_delete BEFORE DELETE ON ledger_span BEGIN
  SELECT RAISE(ABORT, 'ledger_span: kept rows are never removed'); END;
CREATE TRIGGER ledger_span_no_replace BEFORE INSERT ON ledger_span
  WHEN EXISTS (SELECT 1 FROM ledger_span WHERE stream = NEW.stream AND ledger = NEW.ledger) BEGIN
  SELECT RAISE(ABORT, 'ledger_span: kept rows are never replaced'); END;

CREATE TRIGGER reading_no_update BEFORE UPDATE ON reading BEGIN
  SELECT RAISE(ABORT, 'reading: kept rows are never changed'); END;
CREATE TRIGGER reading_no_delete BEFORE DELETE ON reading BEGIN
  SELECT RAISE(ABORT, 'reading: kept rows are never removed'); END;
CREATE TRIGGER reading_no_replace BEFORE INSERT ON reading
  WHEN EXISTS (SELECT 1 FROM reading WHERE stream = NEW.stream AND seq = NEW.seq) BEGIN
  SELECT RAISE(ABORT, 'reading: kept rows are never replaced'); END;

CREATE TRIGGER gap_no_update BEFORE UPDATE ON gap BEGIN
  SELECT RAISE(ABORT, 'gap: kept rows are never changed'); END;
CREATE TRIGGER gap_no_delete BEFORE DELETE ON gap BEGIN
  SELECT RAISE(ABORT, 'gap: kept rows are never removed'); END;
CREATE TRIGGER gap_no_replace BEFORE INSERT ON gap
  WHEN EXISTS (SELECT 1 FROM gap WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'gap: kept rows are never replaced'); END;

CREATE TRIGGER job_no_update BEFORE UPDATE ON job BEGIN
  SELECT RAISE(ABORT, 'job: kept rows are never changed'); END;
CREATE TRIGGER job_no_delete BEFORE DELETE ON job BEGIN
  SELECT RAISE(ABORT, 'job: kept rows are never removed'); END;
CREATE TRIGGER job_no_replace BEFORE INSERT ON job
  WHEN EXISTS (SELECT 1 FROM job WHERE id = NEW.id OR idempotency_key = NEW.idempotency_key) BEGIN
  SELECT RAISE(ABORT, 'job: kept rows are never replaced'); END;

CREATE TRIGGER job_event_no_update BEFORE UPDATE ON job_event BEGIN
  SELECT RAISE(ABORT, 'job_event: kept rows are never changed'); END;
CREATE TRIGGER job_event_no_delete BEFORE DELETE ON job_event BEGIN
  SELECT RAISE(ABORT, 'job_event: kept rows are never removed'); END;
CREATE TRIGGER job_event_no_replace BEFORE INSERT ON job_event
  WHEN EXISTS (SELECT 1 FROM job_event WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'job_event: kept rows are never replaced'); END;

CREATE TRIGGER selection_no_update BEFORE UPDATE ON selection BEGIN
  SELECT RAISE(ABORT, 'selection: kept rows are never changed'); END;
CREATE TRIGGER selection_no_delete BEFORE DELETE ON selection BEGIN
  SELECT RAISE(ABORT, 'selection: kept rows are never removed'); END;
CREATE TRIGGER selection_no_replace BEFORE INSERT ON selection
  WHEN EXISTS (SELECT 1 FROM selection WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'selection: kept rows are never replaced'); END;

CREATE TRIGGER mark_no_update BEFORE UPDATE ON mark BEGIN
  SELECT RAISE(ABORT, 'mark: kept rows are never changed'); END;
CREATE TRIGGER mark_no_delete BEFORE DELETE ON mark BEGIN
  SELECT RAISE(ABORT, 'mark: kept rows are never removed'); END;
CREATE TRIGGER mark_no_replace BEFORE INSERT ON mark
  WHEN EXISTS (SELECT 1 FROM mark WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'mark: kept rows are never replaced'); END;

CREATE TRIGGER direction_no_update BEFORE UPDATE ON direction BEGIN
  SELECT RAISE(ABORT, 'direction: kept rows are never changed'); END;
CREATE TRIGGER direction_no_delete BEFORE DELETE ON direction BEGIN
  SELECT RAISE(ABORT, 'direction: kept rows are never removed'); END;
CREATE TRIGGER direction_no_replace BEFORE INSERT ON direction
  WHEN EXISTS (SELECT 1 FROM direction WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'direction: kept rows are never replaced'); END;

CREATE TRIGGER sweep_no_update BEFORE UPDATE ON sweep BEGIN
  SELECT RAISE(ABORT, 'sweep: kept rows are never changed'); END;
CREATE TRIGGER sweep_no_delete BEFORE DELETE ON sweep BEGIN
  SELECT RAISE(ABORT, 'sweep: kept rows are never removed'); END;
CREATE TRIGGER sweep_no_replace BEFORE INSERT ON sweep
  WHEN EXISTS (SELECT 1 FROM sweep WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'sweep: kept rows are never replaced'); END;

CREATE TRIGGER sweep_end_no_update BEFORE UPDATE ON sweep_end BEGIN
  SELECT RAISE(ABORT, 'sweep_end: kept rows are never changed'); END;
CREATE TRIGGER sweep_end_no_delete BEFORE DELETE ON sweep_end BEGIN
  SELECT RAISE(ABORT, 'sweep_end: kept rows are never removed'); END;
CREATE TRIGGER sweep_end_no_replace BEFORE INSERT ON sweep_end
  WHEN EXISTS (SELECT 1 FROM sweep_end WHERE sweep = NEW.sweep) BEGIN
  SELECT RAISE(ABORT, 'sweep_end: kept rows are never replaced'); END;

CREATE TRIGGER sweep_event_no_update BEFORE UPDATE ON sweep_event BEGIN
  SELECT RAISE(ABORT, 'sweep_event: kept rows are never changed'); END;
CREATE TRIGGER sweep_event_no_delete BEFORE DELETE ON sweep_event BEGIN
  SELECT RAISE(ABORT, 'sweep_event: kept rows are never removed'); END;
CREATE TRIGGER sweep_event_no_replace BEFORE INSERT ON sweep_event
  WHEN EXISTS (SELECT 1 FROM sweep_event WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'sweep_event: kept rows are never replaced'); END;

CREATE TRIGGER report_no_update BEFORE UPDATE ON report BEGIN
  SELECT RAISE(ABORT, 'report: kept rows are never changed'); END;
CREATE TRIGGER report_no_delete BEFORE DELETE ON report BEGIN
  SELECT RAISE(ABORT, 'report: kept rows are never removed'); END;
CREATE TRIGGER report_no_replace BEFORE INSERT ON report
  WHEN EXISTS (SELECT 1 FROM report WHERE id = NEW.id OR (job = NEW.job AND number = NEW.number)) BEGIN
  SELECT RAISE(ABORT, 'report: kept rows are never replaced'); END;
