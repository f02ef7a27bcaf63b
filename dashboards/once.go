package dashboards

import (
	"context"
	"crypto/sha256"
	"fmt"
	"net/http"
	"sync"

	"crownmark/store"
)

const keptKeys = 256 // idempotency keys remembered, oldest forgotten first

// once makes a POST with an Idempotency-Key happen once: pedals bounce, and
// pages are clicked twice. Answers are kept in memory only; a job's key is the
// store's business.
type once struct {
	mu    sync.Mutex
	done  map[string]*answer
	order []string
}

type answer struct {
	body     [sha256.Size]byte
	ready    chan struct{} // closed when the first request was answered
	ok       bool          // it succeeded, so that it is replayed
	location string
	value    any
}

func newOnce() *once { return &once{done: map[string]*answer{}} }

// do runs act, or returns what it returned for the same key and body before.
// A failed act is forgotten. Without a key act always runs.
func (o *once) do(r *http.Request, body []byte, act func() (location string, value any, err error)) (string, any, bool, error) {
	key := r.Header.Get("Idempotency-Key")
	if key == "" {
		location, value, err := act()
		return location, value, false, err
	}
	if err := checkKey(key); err != nil {
		return "", nil, false, err
	}
	key = r.URL.Path + " " + key
	for {
		a, mine := o.claim(key, sha256.Sum256(body))
		if mine {
			return o.run(key, a, act)
		}
		select {
		case <-a.ready:
		case <-r.Context().Done():
			return "", nil, false, r.Context().Err()
		}
		if a.body != sha256.Sum256(body) {
			return "", nil, false, fmt.Errorf("%w (the body differs)", store.ErrKeyReused)
		}
		if a.ok {
			return a.location, a.value, true, nil
		}
	}
}

func (o *once) claim(key string, body [sha256.Size]byte) (*answer, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if a, ok := o.done[key]; ok {
		return a, false
	}
	a := &answer{body: body, ready: make(chan struct{})}
	o.done[key] = a
	o.order = append(o.order, key)
	if len(o.order) > keptKeys {
		delete(o.done, o.order[0])
		o.order = o.order[1:]
	}
	return a, true
}

// run acts for a claimed key, and frees those who wait even if act panics.
func (o *once) run(key string, a *answer, act func() (string, any, error)) (location string, value any, replayed bool, err error) {
	err = context.Canceled
	defer func() { o.settle(key, a, location, value, err) }()
	location, value, err = act()
	return location, value, false, err
}

func (o *once) settle(key string, a *answer, location string, value any, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	a.ok, a.location, a.value = err == nil, location, value
	if err != nil && o.done[key] == a {
		delete(o.done, key)
	}
	close(a.ready)
}

func checkKey(key string) error {
	if len(key) > 200 {
		return newProblem(http.StatusBadRequest, "idempotency-key", "The Idempotency-Key is too long",
			"more than 200 characters", "use a random one of 20 or so")
	}
	return nil
}
