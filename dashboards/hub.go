package dashboards

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"
)

const (
	ringSize    = 512 // events kept for clients that come back
	maxClients  = 32  // live streams; each holds a connection
	heartbeat   = 15 * time.Second
	writeWithin = 5 * time.Second
)

type liveEvent struct {
	seq  uint64
	name string
	data []byte
	told map[string][]byte // by language, of what a person reads; nil: data serves all
}

// in is the event's data in a language.
func (e liveEvent) in(lang string) []byte {
	if b, ok := e.told[lang]; ok {
		return b
	}
	return e.data
}

// tellable is an event with sentences for a person.
type tellable interface {
	// in is the event with each sentence as say has it; nil: it has none.
	in(say func(string) string) any
}

// hub keeps the latest live events and wakes the clients that wait for more.
// Publishing never blocks: a slow client only falls behind, and is told of the
// gap when the ring has overtaken it.
type hub struct {
	boot string
	say  func(lang, text string) string // nil: English only

	mu      sync.Mutex
	ring    [ringSize]liveEvent
	seq     uint64 // of the newest event; the first is 1
	ledger  int64
	clients map[chan struct{}]bool
}

func newHub(boot string) *hub {
	return &hub{boot: boot, clients: map[chan struct{}]bool{}}
}

// publish keeps one event and wakes everybody. v is encoded here, once.
func (h *hub) publish(name string, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		return // our own structs; numbers are checked finite before
	}
	told := h.tell(v)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.seq++
	h.ring[h.seq%ringSize] = liveEvent{h.seq, name, data, told}
	for wake := range h.clients {
		select {
		case wake <- struct{}{}:
		default: // it is awake already
		}
	}
}

// tell is an event in the languages that are not English.
func (h *hub) tell(v any) (told map[string][]byte) {
	w, ok := v.(tellable)
	if !ok || h.say == nil {
		return nil
	}
	for _, lang := range languages[1:] {
		out := w.in(func(text string) string { return h.say(lang, text) })
		if data, err := json.Marshal(out); err == nil && out != nil {
			if told == nil {
				told = map[string][]byte{}
			}
			told[lang] = data
		}
	}
	return told
}

// committed notes a commit that reached the disk; ledgers only grow.
func (h *hub) committed(ledger int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ledger = max(h.ledger, ledger)
}

func (h *hub) stored() int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.ledger
}

// join registers a client; false when there are too many already.
func (h *hub) join() (wake chan struct{}, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.clients) >= maxClients {
		return nil, false
	}
	wake = make(chan struct{}, 1)
	h.clients[wake] = true
	return wake, true
}

func (h *hub) leave(wake chan struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.clients, wake)
}

func (h *hub) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.clients)
}

// since copies what is newer than seq; gap when part of that is gone.
func (h *hub) since(seq uint64) (events []liveEvent, gap bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	oldest := uint64(1)
	if h.seq > ringSize {
		oldest = h.seq - ringSize + 1
	}
	if seq+1 < oldest {
		gap, seq = true, oldest-1
	}
	for n := seq + 1; n <= h.seq; n++ {
		events = append(events, h.ring[n%ringSize])
	}
	return events, gap
}

// start finds where a client begins: after its Last-Event-ID, or now. An id of
// another boot, or one that was never given, is a gap.
func (h *hub) start(lastID string) (seq uint64, gap bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if lastID == "" {
		return h.seq, false
	}
	boot, number, _ := strings.Cut(lastID, "-")
	n, err := strconv.ParseUint(number, 10, 64)
	if boot != h.boot || err != nil || n > h.seq {
		return h.seq, true
	}
	return n, false
}

func (h *hub) id(seq uint64) string { return fmt.Sprintf("%s-%d", h.boot, seq) }
