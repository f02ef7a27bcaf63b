package dashboards

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"runtime/debug"
	"sync"
	"time"

	"crownmark/fit"
	"crownmark/store"
)

const keptFits = 16 // jobs whose last index is kept

// solver pulls index documents: store → fit, once for each revision of a job.
// Whoever asks while a fit runs waits for it instead of starting another.
type solver struct {
	store    Store
	solve    func(fit.Input) (fit.Index, error)
	metrics  *metrics
	log      *slog.Logger
	software string

	mu   sync.Mutex
	jobs map[int64]*fitted
}

// fitted is one job's last result. turn holds one token: who has it may fit.
type fitted struct {
	turn     chan struct{}
	revision string
	index    fit.Index
	err      error
}

func newSolver(s Store, solve func(fit.Input) (fit.Index, error), m *metrics, log *slog.Logger, software string) *solver {
	return &solver{store: s, solve: solve, metrics: m, log: log, software: software, jobs: map[int64]*fitted{}}
}

// index returns the job's index document as of now. Errors: the store's, and a
// problem when the sweeps cannot be fitted.
func (v *solver) index(ctx context.Context, job int64) (fit.Index, error) {
	f := v.of(job)
	select {
	case <-f.turn:
	case <-ctx.Done():
		return fit.Index{}, ctx.Err()
	}
	defer func() { f.turn <- struct{}{} }()
	revision, err := v.store.Revision(ctx, job)
	if err != nil {
		return fit.Index{}, err
	}
	if f.revision == revision {
		return f.index, f.err
	}
	in, revision, err := v.store.Input(ctx, job)
	if err != nil {
		return fit.Index{}, err
	}
	return v.fit(f, job, revision, in)
}

// fit fits and keeps what came out.
func (v *solver) fit(f *fitted, job int64, revision string, in fit.Input) (fit.Index, error) {
	f.index, f.err = v.run(job, in)
	f.revision = revision
	f.index.Revision = &revision
	if f.index.Software == "" {
		f.index.Software = v.software
	}
	return f.index, f.err
}

// indexOf is the index of a job as it stands in st, which is most often the one
// that is known already.
func (v *solver) indexOf(ctx context.Context, st store.Standing) (fit.Index, error) {
	f := v.of(st.Job.ID)
	select {
	case <-f.turn:
	case <-ctx.Done():
		return fit.Index{}, ctx.Err()
	}
	defer func() { f.turn <- struct{}{} }()
	if f.revision == st.Revision {
		return f.index, f.err
	}
	return v.fit(f, st.Job.ID, st.Revision, st.Input)
}

func (v *solver) of(job int64) *fitted {
	v.mu.Lock()
	defer v.mu.Unlock()
	if f, ok := v.jobs[job]; ok {
		return f
	}
	for other := range v.jobs {
		if len(v.jobs) < keptFits {
			break
		}
		delete(v.jobs, other)
	}
	f := &fitted{turn: make(chan struct{}, 1)}
	f.turn <- struct{}{}
	v.jobs[job] = f
	return f
}

var errFitPanicked = errors.New("the fit broke off")

func (v *solver) run(job int64, in fit.Input) (index fit.Index, err error) {
	begun := time.Now()
	defer func() {
		if cause := recover(); cause != nil {
			v.log.Error("the fit panicked", "job", job, "cause", cause, "stack", string(debug.Stack()))
			err = fmt.Errorf("%w: %v", errFitPanicked, cause)
		}
		v.metrics.fitted(time.Since(begun).Seconds(), err)
		err = fitProblem(err)
	}()
	return v.solve(in)
}

// fitProblem tells a fit that broke off (ours to repair) from sweeps that
// cannot be fitted (the user's to set aside).
func fitProblem(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, errFitPanicked):
		return newProblem(http.StatusInternalServerError, "fit-broke-off", "The fit broke off",
			"a fault in the program; the readings are safe", "export the job and send it with the log")
	default:
		return newProblem(http.StatusConflict, "cannot-be-fitted", "The sweeps cannot be fitted as they stand",
			err.Error(), "set aside the sweep that is named, or sweep again")
	}
}
