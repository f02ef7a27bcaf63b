package main

import (
	"context"
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
	to    stander
	taken int
	said  string // the last prompt
	no    string // the last refusal
}

// standAnswer is as much of a guided calibration as is shown, as a daemon tells it.
type standAnswer struct {
	Calibration           int64
	State                 string
	Points, Taken, Stored int
	Next                  *standPlace
	Last                  *standPlace
	BackToMM              *float64 `json:"back_to_mm"`
	Refused               *struct{ Reason, Detail, Fix string }
}

type standPlace struct {
	Direction   string
	ReferenceMM float64 `json:"reference_mm"`
	ReadingMM   float64 `json:"reading_mm"` // of a point taken
}

func standAnswerOf(n acquire.StandState) standAnswer {
	a := standAnswer{Calibration: n.Calibration, State: n.State, Points: len(n.Points), Taken: len(n.Taken), Stored: n.Stored, BackToMM: n.BackToMM}
	if n.Next != nil {
		a.Next = &standPlace{Direction: n.Next.Direction, ReferenceMM: n.Next.ReferenceMM}
	}
	if len(n.Taken) > 0 {
		t := n.Taken[len(n.Taken)-1]
		a.Last = &standPlace{t.Direction, t.ReferenceMM, t.ReadingMM}
	}
	if r := n.Refused; r != nil {
		a.Refused = &struct{ Reason, Detail, Fix string }{r.Reason, r.Detail, r.Fix}
	}
	return a
}

// run shows what is to be done, and hands on what is typed, until the run is over.
func (s *standSession) run() error {
	const look, soon = 150 * time.Millisecond, 10 * time.Millisecond
	tick := time.NewTicker(look)
	defer tick.Stop()
	for lines := s.talk.lines; ; {
		now, err := s.to.now(s.ctx)
		if err != nil {
			return err
		}
		s.show(now)
		hear := lines
		if tick.Reset(look); now.Stored != now.Taken { // the last point is on its way to the disk
			hear = nil
			tick.Reset(soon)
		} else if over, err := s.alone(now, lines == nil); over || err != nil {
			return err
		}
		select {
		case line, ok := <-hear:
			if !ok {
				lines = nil // nobody is at the keys: the rest is taken by itself
				continue
			}
			if over, err := s.obey(line, now); over || err != nil {
				return err
			}
		case <-tick.C:
		case <-s.ctx.Done():
			return s.ctx.Err()
		}
	}
}

// alone is what is done where nobody is at the keys.
func (s *standSession) alone(now standAnswer, nobody bool) (over bool, err error) {
	switch {
	case !nobody:
		return false, nil
	case *s.talk.cut != nil:
		return true, *s.talk.cut
	case now.State == acquire.StandComplete:
		return true, s.end()
	case now.State == acquire.StandPress:
		return true, errors.New("the point is to be taken by a person, and nobody answers")
	}
	return false, nil
}

func (s *standSession) end() error { return s.to.end(context.WithoutCancel(s.ctx)) }

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
func (s *standSession) obey(line string, now standAnswer) (over bool, err error) {
	switch {
	case line == "q", line == "" && now.State == acquire.StandComplete:
		return true, s.end()
	case line == "u":
		err = s.to.takeBack(s.ctx)
	case line == "":
		err = s.to.take(s.ctx, "")
	case line[0] == '+' || line[0] == '-' || line[0] == '.' || line[0] >= '0' && line[0] <= '9':
		err = s.to.take(s.ctx, line)
	default:
		s.talk.say("%q is not known here: Enter takes the point, a number is a typed reading, u takes the last back, q ends", line)
	}
	if why := refusal(err); why != "" { // and nothing has changed
		s.talk.say("not taken: %s", why)
		return false, nil
	}
	return false, err
}

// refusal is what a refused request is answered with; "": err is none, or worse.
func refusal(err error) string {
	var said *apiProblem
	switch {
	case errors.As(err, &said) && len(said.Errors) == 0:
		return said.Detail + ": " + said.Fix
	case errors.As(err, &said):
		return said.Error()
	}
	for _, is := range []error{acquire.ErrMisread, acquire.ErrNotTaken, acquire.ErrUnsteady, acquire.ErrNotLive, acquire.ErrNothingRead, acquire.ErrAllTaken} {
		if errors.Is(err, is) {
			return err.Error()
		}
	}
	return ""
}
