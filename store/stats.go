package store

import (
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// lowBytes is the room below which Stats says StorageLow: an hour of two
// indicators at fifty readings a second needs about a third of it.
const lowBytes = 64 << 20

// fullBytes is the room that must be there again after a full disk.
const fullBytes = 1 << 20

// OnCommit adds a listener. It is called after every commit that reached the
// disk, in their order, before the request's own answer, from the writer's
// goroutine: it must not block nor call the store's writing methods.
func (s *Store) OnCommit(f func(Commit)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.listeners = append(s.listeners, f)
}

// committed books a commit that reached the disk, or an op with nothing to keep.
func (s *Store) committed(c *change, next head, r *request, began time.Time) {
	if r.done != nil {
		r.done()
	}
	if next == s.w.head && c.empty() {
		return
	}
	s.w.head = next
	if c.mark != (clockMark{}) {
		s.w.clockMark = c.mark
	}
	now := s.o.now()
	commit := Commit{Ledger: next.id, Rows: s.w.digest.rows, Readings: len(c.readings), Seconds: now.Sub(began).Seconds()}
	if oldest, ok := c.oldestReading(); ok {
		commit.LagSeconds = float64(s.sinceStart(now)-oldest) / 1e9
	}
	s.mu.Lock()
	st := &s.stats
	st.Commits++
	st.Rows += int64(commit.Rows)
	st.Readings += int64(commit.Readings)
	st.HeadLedger, st.HeadHash = next.id, hex.EncodeToString(next.hash[:])
	st.Storage, st.LastError = StorageOK, ""
	listeners := slices.Clone(s.listeners)
	s.mu.Unlock()
	for _, f := range listeners {
		f(commit)
	}
}

func (c *change) oldestReading() (tNS int64, ok bool) {
	for i := range c.readings {
		if t := c.readings[i].AtNS; !ok || t < tNS {
			tNS, ok = t, true
		}
	}
	return tNS, ok
}

// failed books a commit that did not reach the disk.
func (s *Store) failed(err error) {
	s.mu.Lock()
	before := s.stats.Storage
	s.stats.Failures++
	s.stats.Storage, s.stats.LastError = StorageFailing, err.Error()
	if errors.Is(err, ErrStorageFull) {
		s.stats.Storage = StorageFull
	}
	after := s.stats.Storage
	s.mu.Unlock()
	if before != after { // once, not with every batch
		s.o.Logger.Error("nothing can be kept now", "store", s.o.Path, "storage", after, "cause", err)
	}
}

// Stats returns the totals since Open.
func (s *Store) Stats() Stats {
	s.mu.Lock()
	st := s.stats
	s.mu.Unlock()
	st.Waiting = int(s.waiting.Load())
	st.FileBytes, st.WALBytes = sizeOf(s.o.Path), sizeOf(s.o.Path+"-wal")
	free, err := s.o.freeBytes(filepath.Dir(s.o.Path))
	st.FreeBytes = free
	if err == nil && free < lowBytes && st.Storage == StorageOK {
		st.Storage = StorageLow
	}
	return st
}

// sizeOf asks the folder; it opens nothing.
func sizeOf(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}
