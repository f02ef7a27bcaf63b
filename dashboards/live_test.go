package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"crownmark/acquire"
	"crownmark/store"
)

// wire is a ResponseWriter as a peer that is slow, or gone, makes it.
type wire struct {
	mu       sync.Mutex
	head     http.Header
	text     strings.Builder
	stuck    time.Duration // a write takes so long
	deadline time.Time
}

func (w *wire) Header() http.Header { return w.head }
func (w *wire) WriteHeader(int)     {}
func (w *wire) FlushError() error   { return nil }
func (w *wire) SetWriteDeadline(t time.Time) error {
	w.deadline = t
	return nil
}

func (w *wire) Write(b []byte) (int, error) {
	if w.stuck > 0 {
		if left := time.Until(w.deadline); left < w.stuck {
			time.Sleep(left)
			return 0, os.ErrDeadlineExceeded
		}
		time.Sleep(w.stuck)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(b)
}

func (w *wire) said() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.String()
}

func liveServer(t *testing.T) *Server {
	t.Helper()
	s, err := New(Options{Store: &shelf{}, Bench: benchAt(1, nil), Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	s.hub.boot = "b00t"
	return s
}

// watch runs one live stream until the returned func ends it.
func watch(s *Server, w *wire, lastID string) (end func() error) {
	ctx, cancel := context.WithCancel(context.Background())
	r := httptest.NewRequestWithContext(ctx, "GET", "/api/v1/live", nil)
	if lastID != "" {
		r.Header.Set("Last-Event-ID", lastID)
	}
	done := make(chan error, 1)
	go func() { done <- s.live(w, r) }()
	return func() error { cancel(); return <-done }
}

func ids(text string) string {
	var out []string
	for line := range strings.SplitSeq(text, "\n") {
		if id, ok := strings.CutPrefix(line, "id: "); ok {
			out = append(out, id)
		}
		if line == "event: gap" {
			out = append(out, "gap")
		}
	}
	return strings.Join(out, " ")
}

func TestLiveEventsComeInOrderAndResume(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := liveServer(t)
		first := &wire{head: http.Header{}}
		end := watch(s, first, "")
		synctest.Wait()
		s.Publish(acquire.Event{Sweep: &acquire.SweepNews{ID: 4, Job: 1, Cylinder: 3, Indicator: "left", State: "running"}})
		s.Publish(acquire.Event{Notice: &acquire.Notice{Code: "port_lost", Text: "gone", Fix: "plug it in"}})
		synctest.Wait()
		if err := end(); err != nil {
			t.Fatal(err)
		}
		text := first.said()
		if !strings.HasPrefix(text, "retry: 500\n\n") || ids(text) != "b00t-1 b00t-2" ||
			!strings.Contains(text, `data: {"code":"port_lost","text":"gone","fix":"plug it in"}`) || first.head.Get("Content-Type") != "text/event-stream" {
			t.Errorf("heard %v:\n%s", first.head, text)
		}
		s.Publish(acquire.Event{Sweep: &acquire.SweepNews{ID: 4, State: "complete"}})
		for lastID, want := range map[string]string{"b00t-1": "b00t-2 b00t-3", "b00t-3": "", "": "", "0ther-1": "gap", "b00t-9": "gap", "nonsense": "gap"} {
			w := &wire{head: http.Header{}}
			end := watch(s, w, lastID)
			synctest.Wait()
			if err := end(); err != nil || ids(w.said()) != want {
				t.Errorf("after %q: %q, want %q (%v)", lastID, ids(w.said()), want, err)
			}
		}
	})
}

func TestReadingsTellWhatIsStored(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := liveServer(t)
		w := &wire{head: http.Header{}}
		end := watch(s, w, "")
		synctest.Wait()
		n := s.bench.Snapshot()
		s.Publish(acquire.Event{Snapshot: &n})
		s.Committed(store.Commit{Ledger: 77})
		s.Committed(store.Commit{Ledger: 76}) // late news
		s.Publish(acquire.Event{Snapshot: &n})
		synctest.Wait()
		if err := end(); err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(w.said(), "event: reading"); n != 2 {
			t.Errorf("%d readings", n)
		}
		if !strings.HasSuffix(w.said(), `"stored_ledger":77}`+"\n\n") || !strings.Contains(w.said(), `"stored_ledger":41}`) {
			t.Errorf("stored: %s", w.said()[len(w.said())-200:])
		}
	})
}

func TestASlowClientIsToldOfTheGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := liveServer(t)
		w := &wire{head: http.Header{}, stuck: time.Second}
		end := watch(s, w, "")
		synctest.Wait()
		began := time.Now()
		for range 2 * ringSize {
			s.hub.publish("notice", noticeEvent{})
		}
		if time.Since(began) != 0 {
			t.Error("publishing waited for a client")
		}
		time.Sleep(10 * time.Second)
		if got := ids(w.said()); !strings.HasPrefix(got, fmt.Sprintf("gap b00t-%d ", ringSize+1)) {
			t.Errorf("told: %.80s", got)
		}
		if err := end(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestADeadPeerIsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := liveServer(t)
		end := watch(s, &wire{head: http.Header{}, stuck: time.Hour}, "")
		time.Sleep(writeWithin + time.Second)
		synctest.Wait()
		if n := s.hub.count(); n != 0 {
			t.Errorf("%d clients after the deadline", n)
		}
		if err := end(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestSilenceIsNotDeath(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := liveServer(t)
		w := &wire{head: http.Header{}}
		end := watch(s, w, "")
		time.Sleep(2*heartbeat + time.Second)
		if n := strings.Count(w.said(), ": still here\n\n"); n != 2 {
			t.Errorf("%d heartbeats", n)
		}
		if err := end(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestTooManyWatchersAreSentAway(t *testing.T) {
	s := liveServer(t)
	for range maxClients {
		if _, ok := s.hub.join(); !ok {
			t.Fatal("sent away too early")
		}
	}
	rec := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "http://localhost/api/v1/live", nil)
	s.Handler().ServeHTTP(rec, r)
	// Kept open, they would hold the connections of those who work.
	if rec.Code != 503 || rec.Header().Get("Retry-After") == "" || rec.Header().Get("Connection") != "close" {
		t.Errorf("%d %v", rec.Code, rec.Header())
	}
	if err := s.live(rec, r); !errors.As(err, new(*Problem)) {
		t.Errorf("%v", err)
	}
}
