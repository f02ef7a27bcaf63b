package store

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"strings"
)

// applicationID marks the file as ours: "CRMK", big-endian.
const applicationID = 0x43524D4B

//go:embed migrations/*.sql
var migrationFiles embed.FS

// tableID numbers the tables in the order in which their rows are hashed and
// inserted. The numbers are part of kept manifests: append, never reorder.
type tableID int

const (
	tBench tableID = iota
	tSession
	tClockMark
	tStream
	tDatum
	tSpan
	tReading
	tGap
	tJob
	tJobEvent
	tSelection
	tMark
	tDirection
	tSweep
	tSweepEnd
	tSweepEvent
	tReport
	tJobAttribute
	tLibraryEngine
	tLibraryEvent
	tMarkEvent
	tInstrument
	tInstrumentEvent
	tCalibration
	tCalibrationPoint
	tCalibrationEvent
	tCertificate
	tableCount
)

// A table's first column is the key by which its rows are ordered within one
// commit; the second is the ledger, except in reading, whose commit ledger_span
// tells. Columns are hashed: a migration may add tables, never columns to these.
type table struct {
	name    string
	columns []string
}

func tables() [tableCount]table {
	t := func(name, columns string) table { return table{name, strings.Fields(columns)} }
	return [tableCount]table{
		tBench:      t("bench", "id ledger uid name made_unix_ns forked_from"),
		tSession:    t("session", "id ledger boot_id start_unix_ns software simulated"),
		tClockMark:  t("clock_mark", "id ledger session t_ns unix_ns synced"),
		tStream:     t("stream", "id ledger session kind name port identity config_json t_ns"),
		tDatum:      t("datum", "id ledger stream from_seq kind number cause"),
		tSpan:       t("ledger_span", "stream ledger seq_from seq_to"),
		tReading:    t("reading", "stream seq t_ns burst ticks decimals unit raw"),
		tGap:        t("gap", "id ledger stream after_seq t_ns reason n raw"),
		tJob:        t("job", "id ledger name actor idempotency_key request_hash"),
		tJobEvent:   t("job_event", "id ledger job kind value engine_json actor"),
		tSelection:  t("selection", "id ledger job cylinders_json t_ns actor"),
		tMark:       t("mark", "id ledger job mark_deg enc_stream enc_seq approach t_ns"),
		tDirection:  t("direction", "id ledger job sign moved_deg enc_stream enc_seq t_ns"),
		tSweep:      t("sweep", "id ledger job cylinder indicator ind_stream enc_stream ind_from enc_from detector_json t_ns"),
		tSweepEnd:   t("sweep_end", "sweep ledger ind_to enc_to direction cause t_ns"),
		tSweepEvent: t("sweep_event", "id ledger sweep kind cylinder reason actor"),
		tReport:     t("report", "id ledger job number document hash actor"),

		tJobAttribute:  t("job_attribute", "id ledger job key value actor"),
		tLibraryEngine: t("library_engine", "id ledger actor idempotency_key request_hash"),
		tLibraryEvent:  t("library_event", "id ledger engine kind value engine_json actor"),
		tMarkEvent:     t("mark_event", "id ledger mark kind reason actor"),

		tInstrument:       t("instrument", "id ledger actor idempotency_key request_hash"),
		tInstrumentEvent:  t("instrument_event", "id ledger instrument kind value record_json actor"),
		tCalibration:      t("calibration", "id ledger instrument reference kind plan_json conditions_json actor idempotency_key request_hash"),
		tCalibrationPoint: t("calibration_point", "id ledger calibration run direction reference_mm stream seq"),
		tCalibrationEvent: t("calibration_event", "id ledger calibration kind point value actor"),
		tCertificate:      t("certificate", "id ledger instrument calibration job version document hash actor idempotency_key request_hash"),
	}
}

// insertSQL inserts rows at a time into t.
func (t table) insertSQL(rows int) string {
	one := "(" + strings.TrimSuffix(strings.Repeat("?,", len(t.columns)), ",") + ")"
	return "INSERT INTO " + t.name + " (" + strings.Join(t.columns, ", ") + ") VALUES " +
		strings.TrimSuffix(strings.Repeat(one+",", rows), ",")
}

// embeddedMigrations returns the migrations' texts in order.
func embeddedMigrations() ([]string, error) {
	names, err := fs.Glob(migrationFiles, "migrations/*.sql")
	if err != nil {
		return nil, err
	}
	var texts []string
	for _, name := range names { // Glob sorts
		b, err := migrationFiles.ReadFile(name)
		if err != nil {
			return nil, err
		}
		texts = append(texts, string(b))
	}
	return texts, nil
}

// migrate brings a file from version to the last of migrations, each in one
// transaction of its own. A file that holds something is copied first.
func migrate(ctx context.Context, db *sql.DB, path string, version int, migrations []string) error {
	if version > 0 && version < len(migrations) {
		if err := copyBefore(ctx, db, path, version); err != nil {
			return fmt.Errorf("copy of %s before its migration: %w", path, err)
		}
	}
	for n := version; n < len(migrations); n++ {
		if err := migrateOnce(ctx, db, migrations[n], n+1); err != nil {
			return fmt.Errorf("migrate %s to version %d: %w; the file is as it was", path, n+1, classify(err))
		}
	}
	return nil
}

func migrateOnce(ctx context.Context, db *sql.DB, text string, version int) error {
	tx, err := db.BeginTx(context.WithoutCancel(ctx), nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	// Both pragmas write the file's header and are part of the transaction.
	text += fmt.Sprintf("\nPRAGMA application_id = %d; PRAGMA user_version = %d;", applicationID, version)
	if _, err := tx.Exec(text); err != nil {
		return err
	}
	return tx.Commit()
}
