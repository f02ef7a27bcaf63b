package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"time"

	"crownmark/acquire"
)

// standSession is a person at the stand.
type standSession struct {
	calibrateCmd
	ctx   context.Context
	talk  dialogue
	base  string
	id    int64
	taken int
	said  string // the last prompt
	no    string // the last refusal
}

// standAnswer is a guided calibration as the daemon tells it.
type standAnswer struct {
	Calibration int64
	State, Take string
	Points      int
	Taken       int
	Stored      int
	Next        *struct {
		Run         int
		Direction   string
		ReferenceMM float64 `json:"reference_mm"`
	}
	Last *struct {
		Direction   string
		ReferenceMM float64 `json:"reference_mm"`
		ReadingMM   float64 `json:"reading_mm"`
	}
	BackToMM *float64 `json:"back_to_mm"`
	Refused  *struct{ Reason, Detail, Fix string }
}

// post sends a request about the calibration that is carried out once, however
// often it must be sent.
func (s *standSession) post(what string, body any, into any) error {
	const tries, pause = 3, 300 * time.Millisecond
	key := rand.Text()
	for try := 1; ; try++ {
		err := callAPI(s.ctx, "POST", fmt.Sprintf("%s/api/v1/calibrations/%d%s", s.base, s.id, what), key, body, into)
		var said *apiProblem
		if err == nil || errors.As(err, &said) || try == tries || s.ctx.Err() != nil {
			return err
		}
		time.Sleep(pause)
	}
}

// run shows what the daemon wants, and hands on what is typed, until the run is over.
func (s *standSession) run() error {
	const look = 150 * time.Millisecond
	s.talk.say("Calibration %d. Enter takes a point by hand, a number is a typed reading, u takes the last back, q ends.", s.id)
	tick := time.NewTicker(look)
	defer tick.Stop()
	lines := s.talk.lines
	for {
		now, err := s.now()
		if err != nil {
			return err
		}
		s.show(now)
		complete := now.State == acquire.StandComplete && now.Stored == now.Taken
		if complete && lines == nil {
			return s.post("/end", struct{}{}, nil)
		}
		select {
		case line, ok := <-lines:
			switch {
			case !ok && *s.talk.cut != nil:
				return *s.talk.cut
			case !ok:
				lines = nil // nobody is at the keys: the rest is taken by itself
			case line == "q", line == "" && complete:
				return s.post("/end", struct{}{}, nil)
			default:
				if err := s.obey(line); err != nil {
					return err
				}
			}
		case <-tick.C:
		case <-s.ctx.Done():
			return s.ctx.Err()
		}
		if lines == nil && now.State == acquire.StandPress {
			return errors.New("the point is to be taken by a person, and nobody answers")
		}
	}
}

// now is how the run stands.
func (s *standSession) now() (standAnswer, error) {
	var bench struct{ Calibration *standAnswer }
	if err := callAPI(s.ctx, "GET", s.base+"/api/v1/bench", "", nil, &bench); err != nil {
		return standAnswer{}, err
	}
	if bench.Calibration == nil || bench.Calibration.Calibration != s.id {
		return standAnswer{}, fmt.Errorf("calibration %d does not run any more", s.id)
	}
	return *bench.Calibration, nil
}

// show says what changed.
func (s *standSession) show(now standAnswer) {
	if now.Stored != now.Taken {
		return // not on the disk yet
	}
	if now.Stored > s.taken && now.Last != nil {
		s.talk.say("  %3d of %d   %-6s %8.3f   shows %8.3f", now.Stored, now.Points, now.Last.Direction, now.Last.ReferenceMM, now.Last.ReadingMM)
	}
	s.taken = now.Stored
	no := ""
	if r := now.Refused; r != nil {
		no = fmt.Sprintf("not taken: %s: %s", r.Detail, r.Fix)
	}
	if no != s.no && no != "" {
		s.talk.say("%s", no)
	}
	s.no = no
	if p := prompt(now); p != s.said {
		s.said = p
		s.talk.say("%s", p)
	}
}

// prompt is what is to be done now, in a line.
func prompt(now standAnswer) string {
	switch {
	case now.State == acquire.StandComplete:
		return "all points are taken: Enter ends it, u takes the last one back"
	case now.State == acquire.StandPaused:
		return "the indicator is not heard: the run waits for it, nothing is lost"
	}
	way := "the plunger moving in"
	switch now.Next.Direction {
	case acquire.StandDown:
		way = "the plunger moving out"
	case acquire.StandRepeat:
		way = "anew, the plunger moving in"
	}
	to := fmt.Sprintf("set the reference to %.3f mm, %s", now.Next.ReferenceMM, way)
	if now.State == acquire.StandBack && now.BackToMM != nil {
		return fmt.Sprintf("go back until the display shows %.3f, then %s", *now.BackToMM, to)
	}
	if now.State == acquire.StandPress && now.Taken == 0 {
		return to + "; press Enter there, or type what it shows"
	}
	return to
}

// obey carries out a line.
func (s *standSession) obey(line string) error {
	var err error
	switch {
	case line == "u":
		err = s.post("/take-back", struct{}{}, nil)
	case line == "":
		err = s.post("/readings", struct{}{}, nil)
	case line[0] == '+' || line[0] == '-' || line[0] == '.' || line[0] >= '0' && line[0] <= '9':
		err = s.post("/readings", map[string]any{"reading": line}, nil)
	default:
		s.talk.say("%q is not known here: Enter takes the point, a number is a typed reading, u takes the last back, q ends", line)
	}
	var no *apiProblem
	if errors.As(err, &no) { // it says why, and nothing has changed
		if len(no.Errors) > 0 {
			s.talk.say("not taken: %v", no)
		} else {
			s.talk.say("not taken: %s: %s", no.Detail, no.Fix)
		}
		return nil
	}
	return err
}
