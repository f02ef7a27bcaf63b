package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"

	"crownmark/acquire/virtual"
	"crownmark/fit"
)

// builder is the person at the virtual bench, who tells the program through
// its API what an engine builder would: the job, the direction, which cylinder
// the indicator stands on, the marks.
type builder struct {
	base     string // the page's address
	engine   json.RawMessage
	out      io.Writer
	job      int64
	selected map[string]int
	seen     int64 // last sweep told of
}

func (b *builder) hooks() virtual.Hooks {
	return virtual.Hooks{
		OnStart:     b.start,
		OnDirection: b.direction,
		OnPlace:     b.place,
		OnSweepDone: b.swept,
		OnMark:      b.mark,
		OnEnd:       b.end,
	}
}

func (b *builder) start(o *virtual.Operator) error {
	var kept, job struct {
		ID int64 `json:"id"`
	}
	if err := b.call(o.Context(), "POST", "/api/v1/engines", map[string]any{"engine": b.engine}, &kept); err != nil {
		return err
	}
	if err := b.call(o.Context(), "POST", "/api/v1/jobs", map[string]any{"name": "Demo", "engine_id": kept.ID}, &job); err != nil {
		return err
	}
	if err := b.call(o.Context(), "POST", fmt.Sprintf("/api/v1/jobs/%d/cautions", job.ID), nil, nil); err != nil {
		return err
	}
	b.job = job.ID
	fmt.Fprintf(b.out, "%6.1f s  job %d begun\n", o.Seconds(), b.job)
	return b.choose(o.Context())
}

func (b *builder) direction(o *virtual.Operator) error {
	fmt.Fprintf(b.out, "%6.1f s  running direction confirmed\n", o.Seconds())
	return b.call(o.Context(), "POST", "/api/v1/bench/direction", map[string]any{"job": b.job}, nil)
}

// place: a probe placed anew on the same piston is a new placement too, so the
// old one is taken away first.
func (b *builder) place(o *virtual.Operator, indicator string, cylinder int) error {
	if b.selected[indicator] == cylinder {
		delete(b.selected, indicator)
		if err := b.choose(o.Context()); err != nil {
			return err
		}
	}
	b.selected[indicator] = cylinder
	return b.choose(o.Context())
}

// choose says which cylinder each indicator stands on.
func (b *builder) choose(ctx context.Context) error {
	return b.call(ctx, "PUT", "/api/v1/bench/selection", map[string]any{"job": b.job, "cylinders": b.selected}, nil)
}

// swept tells of the sweep that has just been recorded.
func (b *builder) swept(o *virtual.Operator, cylinder, direction int) error {
	var list struct {
		Items []struct {
			ID        int64  `json:"id"`
			Cylinder  int    `json:"cylinder"`
			Indicator string `json:"indicator"`
			Readings  int64  `json:"readings"`
		} `json:"items"`
	}
	if err := b.call(o.Context(), "GET", fmt.Sprintf("/api/v1/jobs/%d/sweeps?limit=500&after=%d", b.job, b.seen), nil, &list); err != nil {
		return err
	}
	for _, s := range list.Items {
		if s.Cylinder == cylinder {
			b.seen = max(b.seen, s.ID)
			fmt.Fprintf(b.out, "%6.1f s  sweep %d: cylinder %d, %s, %d readings of %s\n", o.Seconds(), s.ID, s.Cylinder, fit.WayWords(direction), s.Readings, s.Indicator)
			return nil
		}
	}
	return fmt.Errorf("cylinder %d was swept but no sweep was recorded; see %s", cylinder, b.base)
}

func (b *builder) mark(o *virtual.Operator, markDeg float64) error {
	fmt.Fprintf(b.out, "%6.1f s  damper mark %g° under the pointer\n", o.Seconds(), markDeg)
	return b.call(o.Context(), "POST", "/api/v1/bench/marks", map[string]any{"job": b.job, "mark_deg": markDeg}, nil)
}

func (b *builder) end(o *virtual.Operator) error {
	clear(b.selected)
	return b.call(o.Context(), "PUT", "/api/v1/bench/selection", map[string]any{"job": nil, "cylinders": b.selected}, nil)
}

// index is the job's index document as the API gives it.
func (b *builder) index(ctx context.Context) (x fit.Index, err error) {
	err = b.call(ctx, "GET", fmt.Sprintf("/api/v1/jobs/%d/index", b.job), nil, &x)
	return x, err
}

// call sends one request and reads its answer into into (nil: nobody asks).
func (b *builder) call(ctx context.Context, method, path string, body, into any) error {
	return callAPI(ctx, method, b.base+path, "", body, into)
}
