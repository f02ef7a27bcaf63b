package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/engine"
)

// markSession is a person reading marks, a line at a time.
type markSession struct {
	recordCmd
	ctx    context.Context
	talk   dialogue
	engine engine.Engine
	to     handReader
	live   bool              // the display speaks
	begin  acquire.BeginHand // of the sweep that is, or will be, read
	sweep  acquire.HandSweep // ID 0: not begun
	sweeps []string          // what was read, for the end
	pairs  int
}

func (c recordCmd) session(ctx context.Context, std stdio, e engine.Engine, to handReader) *markSession {
	s := &markSession{recordCmd: c, ctx: ctx, talk: newDialogue(ctx, std), engine: e, to: to}
	s.begin = acquire.BeginHand{Cylinder: c.Cylinder, Direction: 1, AngleUDeg: c.AngleUDeg, DamperMoved: c.DamperMoved}
	if c.Cylinder == 0 {
		s.begin.Cylinder = e.Reference()
	}
	return s
}

// run takes lines until they end.
func (s *markSession) run() error {
	if _, ok := s.engine.Top(s.begin.Cylinder); !ok {
		return fmt.Errorf("the engine has no cylinder %d; give --cylinder one of its own", s.begin.Cylinder)
	}
	s.opening()
	for {
		next := s.next()
		over := ""
		if s.over(next) {
			over = ", or this sweep is over: r turns round, c N is another cylinder, q ends"
		}
		line, ok := s.line("\ncylinder %d, %s: turn to %s°%s", s.begin.Cylinder, fit.WayWords(s.begin.Direction), markText(next), over)
		if !ok {
			return errors.Join(s.cutOff(), s.end())
		}
		if line == "q" {
			return s.end()
		}
		err := s.obey(line, next)
		var no *acquire.Misread
		switch {
		case err == nil:
		case errors.As(err, &no), errors.Is(err, acquire.ErrUnsteady), errors.Is(err, acquire.ErrNotLive), errors.Is(err, acquire.ErrNothingRead):
			s.talk.say("not taken: %v", err)
		case s.ctx.Err() != nil:
			return s.end()
		default:
			return errors.Join(err, s.end())
		}
	}
}

// line asks and hears; ok is false when nobody answers any more.
func (s *markSession) line(format string, args ...any) (text string, ok bool) {
	s.talk.say(format, args...)
	select {
	case text, ok = <-s.talk.lines:
	case <-s.ctx.Done():
	}
	return strings.ToLower(text), ok
}

// cutOff is why the input ended before its end; nil: it did not.
func (s *markSession) cutOff() error {
	if s.ctx.Err() != nil {
		return nil
	}
	return *s.talk.cut
}

// next is the mark that follows in the step chosen: from Span before the top to
// Span after it, or back.
func (s *markSession) next() float64 {
	way := float64(s.begin.Direction)
	if n := len(s.sweep.Taken); n > 0 {
		return s.sweep.Taken[n-1].MarkDeg + way*s.Step
	}
	return s.top() - way*math.Floor(s.Span/s.Step)*s.Step
}

// top is the mark of the cylinder's nominal top.
func (s *markSession) top() float64 {
	top, _ := s.engine.Top(s.begin.Cylinder)
	return math.Mod(top.NominalDeg, 360)
}

// over tells that a mark lies past the last one.
func (s *markSession) over(mark float64) bool {
	return float64(s.begin.Direction)*(mark-s.top()) > s.Span
}

func (s *markSession) obey(line string, next float64) error {
	if cylinder, ok := strings.CutPrefix(line, "c"); ok {
		return s.goTo(strings.TrimSpace(cylinder))
	}
	switch line {
	case "":
		return s.read(strconv.FormatFloat(next, 'f', -1, 64), "")
	case "u":
		return s.takeBack()
	case "r":
		return s.turnRound()
	}
	word, rest, _ := strings.Cut(line, " ")
	if strings.Trim(word, "+-.,0123456789°") != "" {
		s.talk.say("%q is not known here: Enter takes %s°, a number another angle, u takes the last back, c N another cylinder, r turned round, q ends", line, markText(next))
		return nil
	}
	return s.read(word, strings.TrimSpace(rest))
}

// read takes a mark, and the height typed with it, typed now, or shown.
func (s *markSession) read(mark, height string) error {
	for height == "" && !s.live {
		text, ok := s.line("  height at %s°", mark)
		switch {
		case !ok:
			return nil
		case text == "" || text == "u":
			s.talk.say("the mark at %s° is given up", mark)
			return nil
		}
		height = text
	}
	if s.sweep.ID == 0 {
		sweep, err := s.to.BeginHand(s.ctx, s.begin)
		if err != nil {
			return err
		}
		s.sweep, s.begin.DamperMoved = sweep, false
	}
	sweep, err := s.whenSteady(mark, height)
	if err != nil {
		return err
	}
	s.sweep = sweep
	s.pairs++
	last := sweep.Taken[len(sweep.Taken)-1]
	age := ""
	if last.AgeS != nil {
		age = fmt.Sprintf("   (display steady, read %.2f s ago)", *last.AgeS)
	}
	s.talk.say("  %2d   %s°   %s mm%s", len(sweep.Taken), markText(last.MarkDeg), fit.Signed(last.HeightMM, 3), age)
	return nil
}

// whenSteady waits a while for the display to stand still.
func (s *markSession) whenSteady(mark, height string) (acquire.HandSweep, error) {
	const patience, again = 8 * time.Second, 100 * time.Millisecond
	for began, said := time.Now(), false; ; {
		sweep, err := s.to.ReadHand(s.ctx, s.sweep.ID, mark, height)
		if !errors.Is(err, acquire.ErrUnsteady) || time.Since(began) > patience {
			return sweep, err
		}
		if !said {
			said = true
			s.talk.say("  waiting: %v", err)
		}
		select {
		case <-time.After(again):
		case <-s.ctx.Done():
			return sweep, s.ctx.Err()
		}
	}
}

func (s *markSession) takeBack() error {
	if s.sweep.ID == 0 || len(s.sweep.Taken) == 0 {
		return fmt.Errorf("%w: there is nothing to take back", acquire.ErrNothingRead)
	}
	last := s.sweep.Taken[len(s.sweep.Taken)-1]
	sweep, err := s.to.TakeBackHand(s.ctx, s.sweep.ID)
	if err != nil {
		return err
	}
	s.sweep = sweep
	s.pairs--
	s.talk.say("  taken back: %s°, %s mm", markText(last.MarkDeg), fit.Signed(last.HeightMM, 3))
	return nil
}

// turnRound ends the sweep; the next goes the other way, or, where the maker
// forbids turning back, once more in running direction.
func (s *markSession) turnRound() error {
	if err := s.endSweep(); err != nil {
		return err
	}
	if s.begin.Direction = -s.begin.Direction; s.begin.Direction < 0 && s.engine.TurnBack == "forbidden" {
		s.begin.Direction = 1
		s.talk.say("this engine must not be turned back: go on round to the first mark, in running direction")
	}
	return nil
}

func (s *markSession) goTo(cylinder string) error {
	n, err := strconv.Atoi(cylinder)
	if _, ok := s.engine.Top(n); err != nil || !ok {
		s.talk.say("the engine has no cylinder %q", cylinder)
		return nil
	}
	if err := s.endSweep(); err != nil {
		return err
	}
	s.begin.Cylinder, s.begin.Direction = n, 1
	return nil
}

// endSweep ends the sweep, if one was begun, and says what it is.
func (s *markSession) endSweep() error {
	if s.sweep.ID == 0 {
		return nil
	}
	done, err := s.to.EndHand(context.WithoutCancel(s.ctx), s.sweep.ID)
	if err != nil {
		return err
	}
	s.sweep = acquire.HandSweep{}
	n := len(done.Taken)
	if n == 0 {
		return nil
	}
	text := fmt.Sprintf("sweep %d: cylinder %d, %s, %s from %s° to %s°", done.ID, done.Cylinder, fit.WayWords(done.Direction), count(n, "mark"),
		markText(done.Taken[0].MarkDeg), markText(done.Taken[n-1].MarkDeg))
	if n < fit.FewestMarks {
		text += fmt.Sprintf("; fewer than %d cannot be fitted: read it again", fit.FewestMarks)
	}
	s.sweeps = append(s.sweeps, text)
	s.talk.say("%s", text)
	return nil
}

// end ends the sweep and sums up.
func (s *markSession) end() error {
	err := s.endSweep()
	if len(s.sweeps) == 0 {
		s.talk.say("\nnothing was read")
		return err
	}
	s.talk.say("\n%s read:", count(len(s.sweeps), "sweep"))
	for _, text := range s.sweeps {
		s.talk.say("  %s", text)
	}
	return err
}

func markText(v float64) string {
	return strings.Replace(strconv.FormatFloat(v, 'f', -1, 64), "-", "−", 1)
}
