package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"crownmark/acquire"
)

// raw opens the file as another program would, without our pragmas.
func raw(t testing.TB, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	return db
}

func exec1(t testing.TB, db *sql.DB, query string, args ...any) {
	t.Helper()
	if _, err := db.Exec(query, args...); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}

func TestOpenRefuses(t *testing.T) {
	other := func(statements ...string) func(*testing.T, *Options) {
		return func(t *testing.T, o *Options) {
			db := raw(t, o.Path)
			for _, s := range statements {
				exec1(t, db, s)
			}
			db.Close()
		}
	}
	for name, c := range map[string]struct {
		prepare func(*testing.T, *Options)
		want    error
		text    string
	}{
		"another program's database": {other("PRAGMA application_id = 252006674", "CREATE TABLE x (y)"), ErrForeignFile, "belongs to another program"},
		"a database of nobody":       {other("CREATE TABLE x (y)"), ErrForeignFile, "belongs to another program"},
		"a newer store":              {other("PRAGMA application_id = 1129467211", "PRAGMA user_version = 99", "CREATE TABLE x (y)"), ErrNewerFile, "version 99"},
		"a text file": {func(t *testing.T, o *Options) {
			if err := os.WriteFile(o.Path, []byte(strings.Repeat("no database at all\n", 100)), 0o600); err != nil {
				t.Fatal(err)
			}
		}, ErrForeignFile, "no database"},
		"a folder":          {func(t *testing.T, o *Options) { o.Path = t.TempDir() }, ErrForeignFile, "folder"},
		"no folder":         {func(t *testing.T, o *Options) { o.Path = filepath.Join(o.Path, "nowhere", "x.db") }, fs.ErrNotExist, "nowhere"},
		"no name":           {func(t *testing.T, o *Options) { o.Path = "" }, nil, "no file named"},
		"an old SQLite":     {func(t *testing.T, o *Options) { o.sqliteVersion = "3.51.2" }, ErrOldSQLite, "3.51.3 or newer"},
		"reading a missing": {func(t *testing.T, o *Options) { o.ReadOnly = true }, fs.ErrNotExist, "no such file"},
		"reading an empty": {func(t *testing.T, o *Options) {
			o.ReadOnly = true
			if err := os.WriteFile(o.Path, nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}, ErrForeignFile, "empty"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := testOptions(t)
			c.prepare(t, &o)
			before, _ := os.ReadFile(o.Path)
			s, err := Open(context.Background(), o)
			if err == nil {
				s.Close()
				t.Fatal("opened")
			}
			if c.want != nil && !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.text) {
				t.Errorf("got %v", err)
			}
			if after, _ := os.ReadFile(o.Path); string(after) != string(before) {
				t.Error("the file was changed")
			}
		})
	}
}

func TestVersions(t *testing.T) {
	for _, c := range []struct {
		version string
		want    bool
	}{{"3.51.3", true}, {"3.51.2", false}, {"3.52.0", true}, {"4.0", true}, {"3.51", false}, {"3.51.10", true}, {"3.6.23", false}} {
		if got := atLeast(c.version, oldestSQLite); got != c.want {
			t.Errorf("atLeast(%q) = %v", c.version, got)
		}
	}
}

func TestPragmasAreReadBack(t *testing.T) {
	s := newStore(must[Options](t)(testOptions(t).withDefaults()))
	var err error
	if s.writer, err = sql.Open("sqlite", "file::memory:?_foreign_keys=on"); err != nil { // cannot do WAL
		t.Fatal(err)
	}
	defer s.writer.Close()
	if err := s.checkPragmas(context.Background()); err == nil || !strings.Contains(err.Error(), "journal_mode") {
		t.Errorf("got %v", err)
	}
}

func TestFolderIsSynced(t *testing.T) {
	o := testOptions(t)
	var synced string
	o.syncDir = func(dir string) error { synced = dir; return nil }
	open(t, o)
	if synced != filepath.Dir(o.Path) {
		t.Errorf("synced %q", synced)
	}
	o = testOptions(t)
	o.syncDir = func(string) error { return errors.New("no sync today") }
	if s, err := Open(context.Background(), o); err == nil {
		s.Close()
		t.Error("opened without a synced folder")
	}
}

func TestOneWriter(t *testing.T) {
	o := testOptions(t)
	s := open(t, o)
	if _, err := Open(context.Background(), o); !errors.Is(err, ErrInUse) {
		t.Errorf("second writer: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, o) // free again
}

func TestReadOnlyBesideAWriter(t *testing.T) {
	o := testOptions(t)
	s := open(t, o)
	job := newJob(t, s)
	o.ReadOnly = true
	r := open(t, o)
	if got := must[Job](t)(r.Job(context.Background(), job.ID)); got.Name != job.Name {
		t.Errorf("job %+v", got)
	}
	verifyOK(t, r)
	for name, err := range map[string]error{
		"record":    second(r.Record(context.Background(), acquire.Batch{Selections: []acquire.Selection{{}}})),
		"set aside": second(r.SetAside(context.Background(), 1, "", "")),
		"writable":  r.Writable(context.Background()),
	} {
		if !errors.Is(err, ErrReadOnly) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := r.readers.Exec("DELETE FROM job"); err == nil {
		t.Error("the readers' pool wrote")
	}
}

func second[T any](_ T, err error) error { return err }

func TestReadOnlyFolder(t *testing.T) {
	if os.Getuid() == 0 {
		t.Log("root may write everywhere; this then only shows that reading works")
	}
	o := testOptions(t)
	s := open(t, o)
	newJob(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(o.Path)
	if err := os.Chmod(dir, 0o555); err != nil {
		t.Fatal(err)
	}
	defer os.Chmod(dir, 0o755)
	o.ReadOnly = true
	verifyOK(t, open(t, o))
}

// A look at the live file with another program must not take the WAL from
// under the writer, even after something in this process closed the file. In a
// process of its own, so that Open alone has chosen the kind of locks.
func TestOutsiderLooksOn(t *testing.T) {
	if _, err := exec.LookPath("sqlite3"); err != nil {
		t.Fatal("a live store is looked at with another program: install sqlite3")
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"=outsider", childPathEnv+"="+testOptions(t).Path)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
}

func outsider(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, Options{Path: path, Software: "child"})
	if err != nil {
		return err
	}
	defer s.Close()
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	f.Close()
	for n := 1; n <= 3; n++ {
		if _, _, err := s.CreateJob(ctx, NewJob{Engine: practiceEngine()}); err != nil {
			return err
		}
		out, err := exec.Command("sqlite3", path, "SELECT count(*) FROM job").CombinedOutput()
		if got := strings.TrimSpace(string(out)); err != nil || got != fmt.Sprint(n) {
			return fmt.Errorf("%d jobs made, the outsider sees %s (%w)", n, got, err)
		}
		if s.Stats().WALBytes == 0 {
			return errors.New("the WAL is gone")
		}
	}
	return nil
}

func TestWhoseStore(t *testing.T) {
	o := testOptions(t)
	for _, name := range []string{"one", "one", "", "two", "two"} {
		o.BenchName = name
		if err := must[*Store](t)(Open(context.Background(), o)).Close(); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, o)
	var names, uids int
	if err := s.readers.QueryRow("SELECT count(*), count(DISTINCT uid) FROM bench").Scan(&names, &uids); err != nil || names != 2 || uids != 1 {
		t.Errorf("%d rows, %d uids, %v", names, uids, err)
	}
}

const secondMigration = "CREATE TABLE later (id INTEGER PRIMARY KEY) STRICT;"

func TestMigration(t *testing.T) {
	o := testOptions(t)
	s := open(t, o)
	newJob(t, s)
	head := verifyOK(t, s).HeadHash
	s.Close()

	first := must[[]string](t)(embeddedMigrations())
	o.migrations = append(first, "CREATE TABLE later (id INTEGER PRIMARY KEY) STRICT; CREATE TABLE oops (")
	if _, err := Open(context.Background(), o); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("version %d", len(first)+1)) {
		t.Fatalf("broken migration: %v", err)
	}
	o.migrations = append(first, secondMigration)
	o.ReadOnly = true
	if _, err := Open(context.Background(), o); err == nil || !strings.Contains(err.Error(), "open it for writing once") {
		t.Errorf("reading before the migration: %v", err)
	}
	o.ReadOnly = false
	s = open(t, o)
	verifyOK(t, s)
	s.Close()
	s = open(t, o) // nothing to do, no further copy
	s.Close()

	copies := must[[]string](t)(filepath.Glob(fmt.Sprintf("%s.version-%d-copy-*", o.Path, len(first))))
	if len(copies) != 2 { // one of the broken attempt, one of the good one
		t.Fatalf("copies %q", copies)
	}
	old := testOptions(t)
	old.Path, old.ReadOnly = copies[1], true
	if got := verifyOK(t, open(t, old)).HeadHash; got != head {
		t.Errorf("the copy's head is %s, was %s", got, head)
	}
	o.migrations = nil
	if _, err := Open(context.Background(), o); !errors.Is(err, ErrNewerFile) {
		t.Errorf("old program, new file: %v", err)
	}
}

func TestInterruptedFirstOpen(t *testing.T) {
	o := testOptions(t)
	o.migrations = []string{"CREATE TABLE oops ("}
	if _, err := Open(context.Background(), o); err == nil {
		t.Fatal("opened")
	}
	o.migrations = nil
	verifyOK(t, open(t, o)) // the half-made file is taken as new
}
