package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"crownmark/acquire"
	"crownmark/fit/engine"
)

// remote hands what is read to a daemon.
type remote struct{ base string }

// handAnswer is as much of a hand sweep's document as is shown.
type handAnswer struct {
	ID        int64   `json:"id"`
	Job       int64   `json:"job"`
	Cylinder  int     `json:"cylinder"`
	Indicator string  `json:"indicator"`
	Direction *int    `json:"direction"`
	AngleUDeg float64 `json:"angle_u_deg"`
	Pairs     []struct {
		Seq       int64   `json:"seq"`
		MarkDeg   float64 `json:"mark_deg"`
		HeightMM  float64 `json:"height_mm"`
		TakenBack bool    `json:"taken_back"`
	} `json:"pairs"`
	HeightAgeS *float64 `json:"height_age_s"`
}

func (a handAnswer) sweep() acquire.HandSweep {
	h := acquire.HandSweep{ID: a.ID, Job: a.Job, Cylinder: a.Cylinder, Indicator: a.Indicator, AngleUDeg: a.AngleUDeg}
	if a.Direction != nil {
		h.Direction = *a.Direction
	}
	for _, p := range a.Pairs {
		if !p.TakenBack {
			h.Taken = append(h.Taken, acquire.HandReading{Seq: p.Seq, MarkDeg: p.MarkDeg, HeightMM: p.HeightMM})
		}
	}
	if n := len(h.Taken); n > 0 {
		h.Taken[n-1].AgeS = a.HeightAgeS
	}
	return h
}

// post sends a request that is carried out once, however often it must be sent.
func (r remote) post(ctx context.Context, path string, body any) (acquire.HandSweep, error) {
	const tries, pause = 3, 300 * time.Millisecond
	key, a := rand.Text(), handAnswer{}
	for try := 1; ; try++ {
		err := callAPI(ctx, "POST", r.base+path, key, body, &a)
		var said *apiProblem
		if err == nil || errors.As(err, &said) || try == tries || ctx.Err() != nil {
			return a.sweep(), err
		}
		time.Sleep(pause)
	}
}

func (r remote) BeginHand(ctx context.Context, w acquire.BeginHand) (acquire.HandSweep, error) {
	body := map[string]any{"cylinder": w.Cylinder, "direction": w.Direction, "damper_moved": w.DamperMoved}
	if w.Indicator != "" {
		body["indicator"] = w.Indicator
	}
	if w.AngleUDeg > 0 {
		body["angle_u_deg"] = w.AngleUDeg
	}
	return r.post(ctx, fmt.Sprintf("/api/v1/jobs/%d/hand-sweeps", w.Job), body)
}

func (r remote) ReadHand(ctx context.Context, sweep int64, mark, height string) (acquire.HandSweep, error) {
	body := map[string]any{"mark_deg": plainNumber(mark)}
	switch number, inch := strings.CutSuffix(height, "in"); {
	case height == "":
	case inch:
		body["height_in"] = plainNumber(number)
	default:
		body["height_mm"] = plainNumber(strings.TrimSuffix(height, "mm"))
	}
	return r.post(ctx, fmt.Sprintf("/api/v1/hand-sweeps/%d/readings", sweep), body)
}

// plainNumber is a typed number as JSON writes it, digits as they are; what is
// none goes as it is, to be refused in words.
func plainNumber(text string) any {
	s := strings.TrimPrefix(strings.TrimSpace(strings.TrimSuffix(strings.ReplaceAll(text, ",", "."), "°")), "+")
	if n := json.Number(s); json.Valid([]byte(s)) {
		return n
	}
	return text
}

func (r remote) TakeBackHand(ctx context.Context, sweep int64) (acquire.HandSweep, error) {
	return r.post(ctx, fmt.Sprintf("/api/v1/hand-sweeps/%d/take-back", sweep), struct{}{})
}

func (r remote) EndHand(ctx context.Context, sweep int64) (acquire.HandSweep, error) {
	return r.post(ctx, fmt.Sprintf("/api/v1/hand-sweeps/%d/end", sweep), struct{}{})
}

// toDaemon reads marks for a job of a running daemon.
func (c recordCmd) toDaemon(ctx context.Context, std stdio) error {
	r := remote{strings.TrimSuffix(c.Daemon, "/")}
	var job struct {
		Name, State string
		Engine      json.RawMessage
	}
	if err := callAPI(ctx, "GET", fmt.Sprintf("%s/api/v1/jobs/%d", r.base, c.Job), "", nil, &job); err != nil {
		return fmt.Errorf("%s, job %d: %w", r.base, c.Job, err)
	}
	e, err := engine.ParseJSON(job.Engine)
	if err != nil {
		return err
	}
	s := c.session(ctx, std, e, r)
	s.begin.Job, s.begin.Indicator, s.live = c.Job, c.Indicator, c.Indicator != "" && r.speaks(ctx, c.Indicator)
	return s.run()
}

// speaks tells whether an indicator of the daemon's is heard.
func (r remote) speaks(ctx context.Context, indicator string) bool {
	var bench struct {
		Indicators []struct {
			Name string
			Live bool
		}
	}
	if err := callAPI(ctx, "GET", r.base+"/api/v1/bench", "", nil, &bench); err != nil {
		return false // what is read will tell
	}
	for _, i := range bench.Indicators {
		if i.Name == indicator {
			return i.Live
		}
	}
	return false
}
