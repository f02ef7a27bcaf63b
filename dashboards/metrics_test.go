package dashboards

import (
	"bytes"
	"errors"
	"flag"
	"net/http/httptest"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"crownmark/acquire"
	"crownmark/store"
)

var update = flag.Bool("update", false, "write testdata/scrape.txt anew")

// measured is a server with one of everything counted.
func measured(t *testing.T) (*Server, *prometheus.Registry) {
	t.Helper()
	b := benchAt(1, map[string]float64{"left": 1})
	age := 0.04
	b.stats = acquire.Stats{QueueLen: 2, Sweeps: map[string]int64{"reversal": 5, "idle": 1},
		Instruments: []acquire.InstrumentStats{
			{Kind: acquire.KindEncoder, Name: "encoder", Up: true, Readings: 1000, Bytes: 7000, AgeS: &age, Unused: map[acquire.UnusedReason]int64{acquire.UnusedGarbage: 3}},
			{Kind: acquire.KindIndicator, Name: "left", Readings: 0, Reopens: 2},
		}}
	jitter, batch := 16.5, 16.0
	r := &b.stats.Instruments[0].Rhythm
	r.JitterMS, r.BatchMS, r.Missing, r.Intervals.SumS = &jitter, &batch, 4, 19.9
	r.Intervals.Counts[0], r.Intervals.Counts[7], r.Intervals.Counts[13] = 30, 968, 1
	k := &shelf{stats: store.Stats{Commits: 40, Failures: 1, Readings: 1200, WALBytes: 4096, FileBytes: 81920, FreeBytes: 1 << 30, Waiting: 1, Storage: store.StorageLow, HeadLedger: 41}}
	due := time.Date(2027, 11, 20, 9, 40, 0, 0, time.UTC)
	k.instruments = []store.Instrument{
		{State: store.LibraryKept, Record: store.InstrumentRecord{Name: "left dial"}, Standing: store.InstrumentStanding{State: store.StandingDueSoon, DueAt: &due, LastCheckMM: new(-0.002)}},
		{State: store.LibraryKept, Record: store.InstrumentRecord{Name: "right dial"}, Standing: store.InstrumentStanding{State: store.StandingNone}},
		{State: store.LibraryRetired, Record: store.InstrumentRecord{Name: "old dial"}, Standing: store.InstrumentStanding{State: store.StandingFailed}},
	}
	reg := prometheus.NewPedanticRegistry()
	s, err := New(Options{Store: k, Bench: b, Registry: reg, Software: "crownmark 1.0", Simulated: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Committed(store.Commit{Ledger: 41, Readings: 30, Seconds: 0.004, LagSeconds: 0.12})
	s.Committed(store.Commit{Ledger: 42, Seconds: 0.002})
	s.metrics.fitted(0.08, nil)
	s.metrics.fitted(0.001, errors.New("refused"))
	s.metrics.fitted(0.001, errFitPanicked)
	s.hub.join()
	return s, reg
}

func scraped(t *testing.T, s *Server) []byte {
	t.Helper()
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost/metrics", nil))
	if rec.Code != 200 {
		t.Fatalf("%d %s", rec.Code, rec.Body)
	}
	return rec.Body.Bytes()
}

func TestScrapeIsAsBefore(t *testing.T) {
	s, _ := measured(t)
	got := scraped(t, s)
	const golden = "testdata/scrape.txt"
	if *update {
		if err := os.WriteFile(golden, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("the scrape changed; look at it, then run with -update:\n%s", got)
	}
}

func TestMetricsAreNamedAsTheyShould(t *testing.T) {
	s, reg := measured(t)
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	if err := promtool(scraped(t, s)); err != nil {
		t.Error(err)
	}
	if err := promtool([]byte("# TYPE app_gauge_ms gauge\napp_gauge_ms 1\n")); err == nil {
		t.Error("promtool lets a bad name pass: the check checks nothing")
	}
}

// TestAlertRulesAskForWhatThereIs: a rule over a metric that nobody exports
// never fires and looks healthy.
func TestAlertRulesAskForWhatThereIs(t *testing.T) {
	s, _ := measured(t)
	scrape := string(scraped(t, s))
	rules, err := os.ReadFile("ops/alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile(`crownmark_[a-z0-9_]+`).FindAllString(string(rules), -1)
	for _, name := range names {
		if !strings.Contains(scrape, "\n"+name+"{") && !strings.Contains(scrape, "\n"+name+" ") {
			t.Errorf("no metric %s", name)
		}
	}
	if len(names) < 8 {
		t.Errorf("only %d metrics are watched", len(names))
	}
	for _, args := range [][]string{{"check", "rules", "alerts.yml"}, {"test", "rules", "alerts_test.yml"}} {
		cmd := exec.Command("promtool", args...)
		cmd.Dir = "ops"
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %v: %v\n%s", args, err, out)
		}
	}
}

func promtool(scrape []byte) error {
	path, err := exec.LookPath("promtool")
	if err != nil {
		return errors.New("promtool is missing: install the prometheus package, this check is not skipped")
	}
	cmd := exec.Command(path, "check", "metrics")
	cmd.Stdin = bytes.NewReader(scrape)
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		return errors.Join(errors.New(string(out)), err)
	}
	return nil
}
