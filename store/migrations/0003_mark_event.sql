-- A press that was a mistake is set aside, and taken back in: the press itself stays.
CREATE TABLE mark_event (
  id     INTEGER PRIMARY KEY,
  ledger INTEGER NOT NULL REFERENCES ledger (id),
  mark   INTEGER NOT NULL REFERENCES mark (id),
  kind   TEXT NOT NULL CHECK (kind IN ('set_aside', 'restored')),
  reason TEXT NOT NULL,
  actor  TEXT NOT NULL
) STRICT;
CREATE INDEX mark_event_mark ON mark_event (mark);

CREATE TRIGGER mark_event_no_update BEFORE UPDATE ON mark_event BEGIN
  SELECT RAISE(ABORT, 'mark_event: kept rows are never changed'); END;
CREATE TRIGGER mark_event_no_delete BEFORE DELETE ON mark_event BEGIN
  SELECT RAISE(ABORT, 'mark_event: kept rows are never removed'); END;
CREATE TRIGGER mark_event_no_replace BEFORE INSERT ON mark_event
  WHEN EXISTS (SELECT 1 FROM mark_event WHERE id = NEW.id) BEGIN
  SELECT RAISE(ABORT, 'mark_event: kept rows are never replaced'); END;
