package acquire

import (
	"context"
	"errors"
	"log/slog"
)

// What a request to the bench can be refused for. Test with errors.Is; the
// text around them says what and what to do.
var (
	ErrNoMotion         = errors.New("too little motion")
	ErrNotLive          = errors.New("not live")
	ErrUnknownIndicator = errors.New("unknown indicator")
	ErrNoSelection      = errors.New("no job selected")
	ErrWrongJob         = errors.New("another job is selected")
	ErrStopped          = errors.New("bench stopped")
	// ErrRefused is for a Recorder: what it wraps can never be kept as it is
	// (a closed job, say). The bench tells the one who asked and goes on.
	ErrRefused = errors.New("refused")
)

// Options are a bench's surroundings. The zero value is usable.
type Options struct {
	// OnEvent is told what happens, from the bench's own goroutine; it must not block.
	OnEvent func(Event)
	Logger  *slog.Logger
	// Now is the session's clock: monotonic nanoseconds since its start.
	Now func() int64
	// Open makes the source of the instruments that share one port. nil: the serial port.
	Open func([]InstrumentConfig) Source
}

// Bench is the instruments on one engine: it keeps their ports open, follows
// angle and heights, finds sweeps and hands everything to the Recorder.
type Bench struct{}

// NewBench makes a bench from a checked configuration. Nothing is opened
// before Run.
func NewBench(cfg Config, rec Recorder, res Resume, o Options) (*Bench, error) {
	return &Bench{}, nil
}

// Run opens the ports and keeps reopening them. It returns when ctx is done
// and the last batch is committed; the error then says what could not be kept.
func (b *Bench) Run(ctx context.Context) error { return errors.New("not yet") }

// Snapshot is the bench now; safe from any goroutine.
func (b *Bench) Snapshot() Snapshot { return Snapshot{} }

// Stats are the running totals; safe from any goroutine.
func (b *Bench) Stats() Stats { return Stats{} }

// Select says which cylinder each indicator stands on from now on and ends
// every running sweep. It returns once that is stored. AtNS is filled in.
func (b *Bench) Select(ctx context.Context, s Selection) error { return errors.New("not yet") }

// Mark says that the damper mark at markDeg (negative: before the top) stands
// under the pointer now. It returns once that is stored.
func (b *Bench) Mark(ctx context.Context, job int64, markDeg float64) (MarkPress, error) {
	return MarkPress{}, errors.New("not yet")
}

// Direction says that the last motion was in running direction. ErrNoMotion
// when less than three degrees were turned one way.
func (b *Bench) Direction(ctx context.Context, job int64) (DirectionConfirmed, error) {
	return DirectionConfirmed{}, errors.New("not yet")
}

// Zero says that the indicator's display has just been zeroed on something
// ("deck"). It returns once that is stored.
func (b *Bench) Zero(ctx context.Context, indicator, on string) (Datum, error) {
	return Datum{}, errors.New("not yet")
}
