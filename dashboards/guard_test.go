package dashboards

import (
	"bufio"
	"context"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"crownmark/fit"
	"crownmark/store"
)

func TestOnlyTheLoopbackIsListenedOn(t *testing.T) {
	for _, addr := range []string{"127.0.0.1:8484", "[::1]:8484", "localhost:0", "127.0.0.2:80"} {
		if err := CheckListen(addr); err != nil {
			t.Errorf("%s: %v", addr, err)
		}
	}
	for _, addr := range []string{"0.0.0.0:8484", ":8484", "[::]:8484", "192.168.1.7:8484", "bench.local:8484", "127.0.0.1", "127.0.0.1:", "127.0.0.1:70000", "127.0.0.1:http", ""} {
		if err := CheckListen(addr); err == nil || !strings.Contains(err.Error(), "127.0.0.1") {
			t.Errorf("%q: %v", addr, err)
		}
	}
}

func TestStrangersAreRefused(t *testing.T) {
	a := startAPI(t, nil)
	ask := func(method, host string, head ...string) (int, http.Header) {
		r, err := http.NewRequest(method, a.srv.URL+"/api/v1/bench/selection", strings.NewReader(`{"job":null}`))
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		r.Header.Set("Content-Type", "application/json")
		for i := 0; i < len(head); i += 2 {
			r.Header.Set(head[i], head[i+1])
		}
		res, err := a.srv.Client().Do(r)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		return res.StatusCode, res.Header
	}
	for _, row := range []struct {
		host   string
		head   []string
		status int
	}{
		{"127.0.0.1:8484", nil, 200},
		{"localhost:9000", nil, 200},
		{"[::1]:8484", nil, 200},
		{"evil.example:8484", nil, 421},
		{"127.0.0.1.evil.example", nil, 421},
		{"", nil, 200}, // the client fills in the URL's
		{"localhost:8484", []string{"Sec-Fetch-Site", "same-origin"}, 200},
		{"localhost:8484", []string{"Sec-Fetch-Site", "cross-site"}, 403},
		{"localhost:8484", []string{"Origin", "http://evil.example"}, 403},
		{"localhost:8484", []string{"Origin", "http://localhost:3000"}, 403},
	} {
		status, head := ask("PUT", row.host, row.head...)
		if status != row.status {
			t.Errorf("%q %v: %d, want %d", row.host, row.head, status, row.status)
		}
		if head.Get("X-Content-Type-Options") != "nosniff" || head.Get("Referrer-Policy") != "no-referrer" ||
			!strings.Contains(head.Get("Content-Security-Policy"), "default-src 'self'") || !strings.Contains(head.Get("Content-Security-Policy"), "frame-ancestors 'none'") {
			t.Errorf("%q: headers %v", row.host, head)
		}
	}
}

func TestAPanicIsAProblemAndTheServerStands(t *testing.T) {
	s := liveServer(t) // its shelf panics on everything it does not have
	for range 2 {
		rec := httptest.NewRecorder()
		s.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "http://localhost/api/v1/jobs/1/export.csv", nil))
		if rec.Code != 404 { // it has no job
			t.Fatalf("%d %s", rec.Code, rec.Body)
		}
		rec = httptest.NewRecorder()
		r := httptest.NewRequest("POST", "http://localhost/api/v1/jobs", strings.NewReader(`{"engine":`+practiceFour+`}`))
		r.Header.Set("Content-Type", "application/json")
		s.Handler().ServeHTTP(rec, r)
		if rec.Code != 500 || rec.Header().Get("Content-Type") != "application/problem+json" {
			t.Fatalf("%d %s", rec.Code, rec.Body)
		}
	}
}

// TestServeEndsWithAStreamOpen: live streams never end by themselves, and must
// not hold the daemon up.
func TestServeEndsWithAStreamOpen(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- liveServer(t).Serve(ctx, l) }()
	res, err := http.Get("http://" + l.Addr().String() + "/api/v1/live")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if line, err := bufio.NewReader(res.Body).ReadString('\n'); err != nil || line != "retry: 500\n" {
		t.Fatalf("%q %v", line, err)
	}
	began := time.Now()
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestServeRefusesAnOpenListener(t *testing.T) {
	l, err := net.Listen("tcp", "0.0.0.0:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := liveServer(t).Serve(t.Context(), l); err == nil || !strings.Contains(err.Error(), "loopback") {
		t.Errorf("%v", err)
	}
	if err := l.Close(); !errors.Is(err, net.ErrClosed) {
		t.Error("the listener was left open")
	}
}

func TestConnectionsAreCapped(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := limit(inner, 1)
	dial := func() net.Conn {
		c, err := net.Dial("tcp", inner.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	dial()
	dial()
	first, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	second := make(chan error, 1)
	go func() {
		c, err := l.Accept()
		if err == nil {
			c.Close()
		}
		second <- err
	}()
	select {
	case <-second:
		t.Fatal("the cap did not hold")
	case <-time.After(20 * time.Millisecond):
	}
	first.Close()
	first.Close() // must not free a place twice
	if err := <-second; err != nil {
		t.Fatal(err)
	}
	l.Close()
	if _, err := l.Accept(); err == nil {
		t.Error("accepted after Close")
	}
}

// TestOneFitForAll: twenty that ask at once wait for one fit, and the next
// revision makes one more.
func TestOneFitForAll(t *testing.T) {
	var fits atomic.Int64
	gate := make(chan struct{})
	k := &shelf{jobs: map[int64]store.Job{1: {ID: 1}}, rev: "a"}
	s, err := New(Options{Store: k, Bench: benchAt(0, nil), Software: "test", Solve: func(fit.Input) (fit.Index, error) {
		fits.Add(1)
		<-gate
		return fit.Index{Engine: "x"}, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for range 20 {
		all.Go(func() {
			if x, err := s.solver.index(t.Context(), 1); err != nil || *x.Revision != "a" || x.Software != "test" {
				t.Errorf("%+v %v", x, err)
			}
		})
	}
	close(gate)
	all.Wait()
	if fits.Load() != 1 || k.reads != 1 {
		t.Errorf("%d fits, %d reads", fits.Load(), k.reads)
	}
	k.rev = "b"
	if x, err := s.solver.index(t.Context(), 1); err != nil || *x.Revision != "b" || fits.Load() != 2 {
		t.Errorf("%+v %v after %d fits", x, err, fits.Load())
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	<-s.solver.of(1).turn // somebody fits
	if _, err := s.solver.index(gone, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("a client that left: %v", err)
	}
}
