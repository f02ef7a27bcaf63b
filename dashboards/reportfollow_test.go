package dashboards

import (
	"errors"
	"net/http"
	"os/exec"
	"strings"
	"sync"
	"testing"

	"crownmark/dashboards/report"
	"crownmark/fit"
	"crownmark/store"
)

func followed(t *testing.T, k report.Keeper, number int64, software string) report.Finding {
	t.Helper()
	f, err := report.Follow(t.Context(), k, number, software, fit.Solve)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// tampered is a copy of the store in which SQL was run by hand.
func tampered(t *testing.T, k *store.Store, sql string) *store.Store {
	t.Helper()
	path := t.TempDir() + "/copy.db"
	if err := k.Backup(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("sqlite3", path, sql).CombinedOutput(); err != nil {
		t.Fatalf("sqlite3: %v %s", err, out)
	}
	again, err := store.Open(t.Context(), store.Options{Path: path, Software: "crownmark test", ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = again.Close() })
	return again
}

// TestReportFollows: an issued report follows from the raw readings whatever is
// done to its job afterwards, and no longer once a reading or the document was
// changed behind the program's back.
func TestReportFollows(t *testing.T) {
	a := shop(t, veeEight)
	a.want(200, a.call("DELETE", "/api/v1/sweeps/3?reason=slipped", ""))
	a.want(200, a.call("PATCH", "/api/v1/sweeps/4", `{"cylinder":2}`))
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"name":"renamed","stage":"in_car","customer_reference":"Order 118"}`))
	a.want(200, a.call("PATCH", "/api/v1/jobs/1", `{"state":"closed"}`))
	f := followed(t, a.store, 1, "crownmark test")
	if !f.OK || f.Figures < 5000 {
		t.Fatalf("%d figures, %q", f.Figures, f.Problems)
	}
	a.want(201, a.call("POST", "/api/v1/jobs/1/reports", `{}`)) // a closed job may be reported
	if second := followed(t, a.store, 2, "crownmark test"); !second.OK {
		t.Errorf("%q", second.Problems)
	}
	if later := followed(t, a.store, 1, "crownmark later"); !later.OK || !strings.Contains(later.Rule, "issued by crownmark test on ") || !strings.Contains(later.Rule, "by crownmark later") {
		t.Errorf("%q %q", later.Rule, later.Problems)
	}
	first, second := a.want(200, a.call("GET", "/api/v1/reports/1", "")).doc, a.want(200, a.call("GET", "/api/v1/reports/2", "")).doc
	was, is := first["job"].(map[string]any), second["job"].(map[string]any)
	if was["name"] == "renamed" || was["stage"] != "" || is["name"] != "renamed" || is["stage"] != "in_car" || is["customer_reference"] != "Order 118" || second["index"].(map[string]any)["set_aside"] != 1.0 {
		t.Error("the first report changed, or the second does not tell what is so now")
	}

	const middle = `stream = 2 AND seq = (SELECT (w.ind_from + e.ind_to) / 2 FROM sweep w JOIN sweep_end e ON e.sweep = w.id WHERE w.id = 7)`
	f = followed(t, tampered(t, a.store, `DROP TRIGGER reading_no_update; UPDATE reading SET ticks = ticks + 20 WHERE `+middle), 1, "crownmark test")
	if f.OK || len(f.Problems) < 20 || !strings.Contains(strings.Join(f.Problems[:20], "\n"), "index, cylinders, cylinder 3, index_error_deg: ") {
		t.Errorf("a changed reading: %v, %.3q", f.OK, f.Problems)
	}
	forged := tampered(t, a.store, `DROP TRIGGER report_no_update; UPDATE report SET document = CAST(replace(CAST(document AS TEXT), 'J. Doe', 'A. Nother') AS BLOB) WHERE id = 1`)
	if r, err := forged.Report(t.Context(), 1); err != nil {
		t.Fatal(err)
	} else if _, err := report.Read(r); err == nil || !strings.Contains(err.Error(), "not what was issued") {
		t.Errorf("a changed document is read: %v", err)
	}
	f = followed(t, forged, 1, "crownmark test")
	if f.OK || len(f.Problems) != 1 || !strings.Contains(f.Problems[0], "the document itself: its hash is ") {
		t.Errorf("a changed document: %q", f.Problems)
	}
}

// Another version must come to the same figures within the tolerance, and one
// figure that does not is named.
func TestReportOfAnotherVersion(t *testing.T) {
	a := shop(t, twin)
	bent := func(by float64) report.Solver {
		return func(in fit.Input) (fit.Index, error) {
			x, err := fit.Solve(in)
			*x.Cylinders[1].IndexErrorDeg *= 1 + by
			x.Rule = "said otherwise"
			return x, err
		}
	}
	for _, row := range []struct {
		software string
		by       float64
		problems int
	}{{"crownmark later", 1e-12, 0}, {"crownmark later", 1e-6, 1}, {"crownmark test", 1e-12, 2}} {
		f, err := report.Follow(t.Context(), a.store, 1, row.software, bent(row.by))
		if err != nil || len(f.Problems) != row.problems || f.OK != (row.problems == 0) {
			t.Errorf("%+v: %v %q", row, err, f.Problems)
		}
	}
	if _, err := report.Follow(t.Context(), a.store, 9, "", fit.Solve); !errors.Is(err, store.ErrNotFound) {
		t.Error(err)
	}
}

// A button that bounces issues one report.
func TestIssuedOnce(t *testing.T) {
	a := startAPI(t, nil)
	a.job()
	a.want(409, a.call("POST", "/api/v1/jobs/1/reports", `{}`)) // nothing was swept
	a = shop(t, twin)
	var wait sync.WaitGroup
	for range 4 {
		wait.Go(func() {
			if r := a.call("POST", "/api/v1/jobs/1/reports", stated, "Idempotency-Key", "pedal"); r.status != http.StatusCreated || r.doc["number"] != 2.0 ||
				r.head.Get("Location") != "/api/v1/reports/2" {
				t.Errorf("%d %s", r.status, r.body)
			}
		})
	}
	wait.Wait()
	if r := a.call("POST", "/api/v1/jobs/1/reports", stated, "Idempotency-Key", "pedal"); r.head.Get("Idempotency-Replayed") != "true" {
		t.Error("not replayed")
	}
	a.want(422, a.call("POST", "/api/v1/jobs/1/reports", `{"rings":"fitted"}`, "Idempotency-Key", "pedal"))
	items := a.want(200, a.call("GET", "/api/v1/jobs/1/reports", "")).doc["items"].([]any)
	if len(items) != 2 {
		t.Fatalf("%d reports", len(items))
	}
	r := a.want(422, a.call("POST", "/api/v1/jobs/1/reports", `{"temperature_c":400,"rings":"worn","encoder_end":"left","measured_by":" x"}`))
	if got := strings.Join(r.pointers(), " "); got != "/encoder_end /measured_by /rings /temperature_c" {
		t.Error(got)
	}
	hash := items[0].(map[string]any)["hash"].(string)
	r = a.want(200, a.call("GET", "/api/v1/reports/1", ""))
	if r.head.Get("ETag") != `"`+hash+`"` {
		t.Errorf("ETag %s of %s", r.head.Get("ETag"), hash)
	}
	a.want(304, a.call("GET", "/api/v1/reports/1", "", "If-None-Match", `"`+hash+`"`))
	for _, path := range []string{"/api/v1/reports/3", "/api/v1/jobs/9/reports"} {
		a.want(404, a.call("GET", path, ""))
	}
}
