package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"crownmark/store"
)

// crownmark runs a command in this process.
func crownmark(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	status = Run(t.Context(), args, strings.NewReader(""), &out, &errs)
	return status, out.String(), errs.String()
}

// newStore makes a store with one job and no sweeps, and keeps it open for
// writing.
func newStore(t *testing.T) string {
	t.Helper()
	e, err := readEngine("testdata/engines/practice-four.toml")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "crownmark.db")
	s, err := openStore(t.Context(), store.Options{Path: path, Software: software(), BenchName: "bench"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	if _, _, err := s.CreateJob(t.Context(), store.NewJob{Name: "Monday", Engine: e}); err != nil {
		t.Fatal(err)
	}
	return path
}

// The commands work while another process has the store open for writing.
func TestStoreCommandsWorkBesideTheDaemon(t *testing.T) {
	t.Parallel()
	path := newStore(t)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"jobs"}, "1    open   0"},
		{[]string{"jobs", "--json"}, `"name": "Monday"`},
		{[]string{"report", "1"}, "No result: no sweep that can be fitted yet"},
		{[]string{"report", "1", "--json"}, `"not_swept"`},
		{[]string{"report", "1", "--html"}, "<html"},
		{[]string{"export", "1"}, "sweep,cylinder,t_s,angle_deg,height_mm"},
		{[]string{"verify"}, "rows; head "},
		{[]string{"verify", "--json"}, `"ok": true`},
		{[]string{"backup", path + ".copy"}, "copied to "},
	} {
		if status, out, errs := crownmark(t, append(c.args, "--data", path)...); status != exitDone || !strings.Contains(out, c.want) || errs != "" {
			t.Errorf("%v: status %d\n%s%s", c.args, status, out, errs)
		}
	}
	if status, out, errs := crownmark(t, "jobs", "--data", path+".copy"); status != exitDone || !strings.Contains(out, "Monday") {
		t.Errorf("the copy: status %d\n%s%s", status, out, errs)
	}
}

func TestStoreCommandsSayWhatIsWrong(t *testing.T) {
	t.Parallel()
	path := newStore(t)
	foreign := filepath.Join(t.TempDir(), "foreign.db")
	if err := os.WriteFile(foreign, []byte("no store at all, only words"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"jobs", "--data", path + ".none"}, "there is no such store; name it with --data or --config"},
		{[]string{"jobs", "--data", foreign}, "not a crownmark store"},
		{[]string{"report", "9", "--data", path}, "job 9: there is no such job in the store; crownmark jobs lists them"},
		{[]string{"report", "9", "--html", "--data", path}, "job 9: there is no such job in the store; crownmark jobs lists them"},
		{[]string{"report", "1", "--issue", "--data", path}, "a daemon has this store; issue on its page /jobs/1/report, or say where it serves with --daemon http://"},
		{[]string{"report", "--number", "9", "--data", path}, "report 9: no such report was issued from this store"},
		{[]string{"verify", "--report", "9", "--data", path}, "report 9: no such report was issued from this store"},
		{[]string{"export", "9", "--data", path}, "job 9: there is no such job in the store; crownmark jobs lists them"},
		{[]string{"backup", path, "--data", path}, "exists already; name another file"},
	} {
		status, out, errs := crownmark(t, c.args...)
		if status != exitNot || !strings.Contains(errs, c.want) || strings.Count(errs, "\n") != 1 || out != "" {
			t.Errorf("%v: status %d\n%s%s", c.args, status, out, errs)
		}
	}
}

// A report that cannot be made leaves no file behind.
func TestNoHalfFiles(t *testing.T) {
	t.Parallel()
	path := newStore(t)
	out := filepath.Join(t.TempDir(), "report.txt")
	crownmark(t, "report", "9", "--out", out, "--data", path)
	if left, _ := filepath.Glob(filepath.Dir(out) + "/*"); len(left) != 0 {
		t.Error(left)
	}
}

func TestRunEndsWithItsContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out, errs bytes.Buffer
	if status := Run(ctx, []string{"simulate", "--engine", "testdata/engines/practice-four.toml"}, nil, &out, &errs); status != exitNot {
		t.Error(status)
	}
}
