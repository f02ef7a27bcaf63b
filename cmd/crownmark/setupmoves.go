package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"crownmark/acquire"
	"crownmark/acquire/wire"
)

// atRest is how long everything is watched at rest, so that flicker is no move.
const atRest = time.Second

// tellApart lets the user push plungers and turn the crank, and sees what moves.
func (s *setup) tellApart(ctx context.Context) (err error) {
	if s.Yes {
		return nil
	}
	var cfg []acquire.InstrumentConfig
	for _, i := range s.all {
		cfg = append(cfg, i.watched())
	}
	w, err := acquire.NewWatching(cfg)
	if err != nil {
		return err
	}
	defer func() {
		closed := w.Close()
		var e *acquire.PortError
		switch {
		case errors.As(err, &e): // what it was watched with cannot be mended in between
			err = fmt.Errorf("port %s %s; see that it is plugged in, and start setup again", e.Port, e.What)
		case err == nil:
			err = closed
		}
	}()
	if err := s.rest(ctx, w); err != nil {
		return err
	}
	for n := 0; s.unknown() > 1; n++ {
		again, err := s.push(w, n)
		if err != nil {
			return err
		}
		if !again {
			break
		}
	}
	return s.turn(w)
}

// watched is the configuration to watch an instrument with: raw numbers where
// it is not known what they mean.
func (i *setupInstrument) watched() acquire.InstrumentConfig {
	c := i.Config
	if i.Kind == "" {
		c.Kind, c.CountsPerRev = acquire.KindEncoder, 1
	}
	if c.Type == "float32" {
		c.Type = "int32"
	}
	return c
}

func (s *setup) rest(ctx context.Context, w *acquire.Watching) error {
	s.talk.say("Hands off for a second.")
	select {
	case <-time.After(atRest):
	case <-ctx.Done():
		return ctx.Err()
	}
	heard, err := w.Heard()
	for n, h := range heard {
		i := s.all[n]
		if i.rest = h; i.pressed && len(h) == 0 {
			w.Know(n, i.Raw) // what it said before must do
		}
	}
	return err
}

// moves are how the instruments moved since they were begun to be watched. What
// stands in registers shows better once it has moved.
func (s *setup) moves(w *acquire.Watching) ([]acquire.Move, error) {
	heard, err := w.Heard()
	var moves []acquire.Move
	for n, h := range heard {
		i := s.all[n]
		if !i.confirmed {
			i.Config = acquire.GuessRegisters(i.Config, append(slices.Clone(i.rest), h...))
		}
		moves = append(moves, acquire.MoveOf(i.read(), h))
	}
	return moves, err
}

// read is the configuration to read an instrument with, as far as it is known.
func (i *setupInstrument) read() acquire.InstrumentConfig {
	c := i.watched()
	c.Type = i.Config.Type
	return c
}

// flicker is how far its last digits went at rest.
func (i *setupInstrument) flicker() float64 {
	return float64(max(1, acquire.MoveOf(i.read(), i.rest).Range))
}

// unknown is how many instruments have not moved as they should yet.
func (s *setup) unknown() (n int) {
	for _, i := range s.all {
		if !i.confirmed {
			n++
		}
	}
	return n
}

// mover is the instrument that moved most, in its own flicker; nil: none did.
func (s *setup) mover(moves []acquire.Move) (*setupInstrument, acquire.Move) {
	var most *setupInstrument
	var by acquire.Move
	best := 0.0
	for n, m := range moves {
		i := s.all[n]
		far := math.Abs(float64(m.Net)) / i.flicker()
		if far < 4 || i.confirmed || m.Unit == wire.UnitMM && math.Abs(float64(m.Net)) < 0.1/max(i.ResolutionMM, 1e-6) {
			continue
		}
		if far > best {
			most, by, best = i, m, far
		}
	}
	return most, by
}

const pushTries = 3

// push asks for a push on a plunger. False: there is no more to push.
func (s *setup) push(w *acquire.Watching, n int) (again bool, err error) {
	what := fmt.Sprintf("an indicator (it will be called %q)", s.nextName())
	if n > 0 {
		what = fmt.Sprintf("another indicator, if there is one (it will be called %q),", s.nextName())
	}
	press := ""
	if slices.ContainsFunc(s.all, func(i *setupInstrument) bool { return i.pressed && !i.confirmed }) {
		press = " press its key if it speaks at that,"
	}
	for range pushTries {
		w.Begin()
		answer, err := s.talk.ask("Push the plunger of %s in by a millimetre or two, hold it there,%s and press Enter (s: skip).", what, press)
		if err != nil || strings.EqualFold(answer, "s") {
			return false, err
		}
		moves, err := s.moves(w)
		if err != nil {
			return false, err
		}
		if i, m := s.mover(moves); i != nil {
			if err := i.become(acquire.KindIndicator); err != nil {
				return false, err
			}
			name := s.nextName()
			i.confirmed, i.Config.Direction, i.Config.Name = true, m.Sign(), name
			s.talk.say("%s is the indicator %q, direction %d: it says %q.", i.Config.Port, name, m.Sign(), m.Last)
			return true, nil
		}
		if n > 0 {
			return false, nil
		}
		s.talk.say("Nothing moved. Is the plunger free, the display on, and its key pressed where it speaks at that?")
	}
	return false, nil
}

// turn asks for a turn of the crank.
func (s *setup) turn(w *acquire.Watching) error {
	for range pushTries {
		w.Begin()
		answer, err := s.talk.ask("Let go of the plunger. Turn the crank some degrees in running direction, and press Enter (s: skip).")
		if err != nil || strings.EqualFold(answer, "s") {
			return err
		}
		moves, err := s.moves(w)
		if err != nil {
			return err
		}
		i, m := s.turned(moves)
		if i == nil {
			s.talk.say("The encoder did not move. Is it coupled to the crank?")
			continue
		}
		if err := i.become(acquire.KindEncoder); err != nil {
			return err
		}
		i.confirmed, i.Config.Direction = true, m.Way()
		s.talk.say("%s is the encoder, direction %d: it says %q.", i.Config.Port, m.Way(), m.Last)
		return s.measure(w, i)
	}
	return nil
}

// turned is the encoder among what moved with the crank: an indicator that was
// not pushed may stand on a piston and move too.
func (s *setup) turned(moves []acquire.Move) (*setupInstrument, acquire.Move) {
	for n, m := range moves {
		if i := s.all[n]; i.Kind == acquire.KindEncoder && !i.confirmed && m.Up+m.Down > 0 && math.Abs(float64(m.Net)) > 2*i.flicker() {
			return i, m
		}
	}
	return s.mover(moves)
}

// measure learns the counts of one turn, where nobody has told them.
func (s *setup) measure(w *acquire.Watching, i *setupInstrument) error {
	if s.CountsPerRev > 0 || i.tellsDegrees() {
		return nil
	}
	for {
		w.Begin()
		answer, err := s.talk.ask("How many counts does one turn of the crank give (four times the encoder's lines, times gears between)? If you do not know, turn the crank by exactly one turn, from a mark to the same mark, and press Enter.")
		if err != nil {
			return err
		}
		if n, err := strconv.ParseFloat(answer, 64); err == nil && n > 0 && n <= 1e9 {
			s.CountsPerRev = n
			return nil
		}
		moves, err := s.moves(w)
		if err != nil {
			return err
		}
		for n, m := range moves {
			if s.all[n] == i && answer == "" && math.Abs(float64(m.Net)) >= 100 {
				s.CountsPerRev, i.measured = math.Abs(float64(m.Net)), true
				s.talk.say("One turn gave %.0f counts.", s.CountsPerRev)
				return nil
			}
		}
		s.talk.say("That is no number of counts, and the encoder has not gone round once.")
	}
}

func (i *setupInstrument) tellsDegrees() bool {
	return strings.Contains(i.Config.Pattern, "(?P<degrees>")
}

// counts settles what one turn of the crank gives.
func (s *setup) counts(i *setupInstrument) error {
	switch {
	case i.tellsDegrees():
		i.Config.CountsPerRev = 360
	case s.CountsPerRev > 0:
		i.Config.CountsPerRev = s.CountsPerRev
	default:
		return errors.New("the counts for one turn of the crank are not known; say --counts-per-rev=N")
	}
	return nil
}

// become makes an instrument one or the other, whatever its dress looked like.
func (i *setupInstrument) become(kind acquire.Kind) error {
	c := &i.Config
	switch {
	case c.Format == wire.FormatLine && i.Kind == acquire.KindIndicator && kind == acquire.KindEncoder:
		c.Pattern = strings.Replace(c.Pattern, "(?P<value>", "(?P<degrees>", 1) // its decimals are degrees
	case c.Format == wire.FormatLine && i.Kind == acquire.KindEncoder && kind == acquire.KindIndicator:
		return fmt.Errorf("%s moves with the plunger, but says %q: whole numbers without a unit; let it show mm or inches, with a point, and start setup again", c.Port, i.Last)
	case c.Format == wire.FormatModbus && kind == acquire.KindIndicator && c.Type != "float32":
		c.Scale, i.ResolutionMM = 0.001, 0.001
	}
	i.Kind, c.Kind = kind, kind
	return nil
}
