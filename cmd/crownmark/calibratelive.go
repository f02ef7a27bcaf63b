package main

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strconv"
	"strings"
)

// liveFlags are those of a guided calibration on a running daemon.
type liveFlags struct {
	Live       bool      `help:"Calibrate now, led through the points, by the running crownmark run if there is one."`
	Config     string    `placeholder:"FILE" help:"With --live: the bench file; of the running daemon, or without one."`
	Daemon     string    `placeholder:"URL" help:"With --live: where the daemon is, instead of --config."`
	Instrument string    `placeholder:"NAME" help:"With --live: which indicator of the register, by name or number; its only one if left out."`
	Reference  string    `placeholder:"NAME" help:"With --live: blocks or head of the register; none said if left out."`
	Scheme     string    `placeholder:"NAME" help:"With --live: which points; the indicator's own scheme if left out, else iso13102."`
	RangeMM    float64   `name:"range-mm" placeholder:"MM" help:"With --live: range of the points; the indicator's own in the register if left out."`
	Blocks     bool      `help:"With --live and no daemon: the reference is gauge blocks, on which the plunger is let down."`
	Points     []float64 `placeholder:"MM,..." help:"With --live: points of your own instead, mm."`
	Runs       int       `default:"1" placeholder:"N" help:"With --live: so many runs up and down."`
	Repeats    int       `default:"5" placeholder:"N" help:"With --live: so many repeats at one point; -1 for none."`
	SteadyS    float64   `name:"steady-s" placeholder:"S" help:"With --live: how long the display must stand; 1.5 if left out."`
	ByKey      bool      `help:"With --live: take nothing by itself, each point by Enter."`
	Typed      bool      `help:"With --live: the readings are typed, whatever is plugged in."`
	SoakMin    *float64  `name:"soak-min" placeholder:"MIN" help:"With --live: how long indicator and reference lay together; asked if left out."`
	MeasuredBy string    `placeholder:"WHO" help:"With --live: for the certificate."`
	Resume     int64     `placeholder:"N" help:"With --live: take calibration N up again, after a restart."`
	Out        string    `short:"o" default:"calibration.csv" placeholder:"FILE" help:"With --live: file to write at the end (${default})."`
}

// check refuses what does not go together.
func (c liveFlags) check(file bool) error {
	switch {
	case !c.Live && !file:
		return errors.New("which points? name a file, or calibrate now with --live")
	case !c.Live && (c.Config != "" || c.Daemon != "" || c.Resume != 0):
		return errors.New("--config, --daemon and --resume belong to --live")
	case c.Live && file:
		return errors.New("--live writes its file; name it with -o")
	case c.Live && (c.Config == "") == (c.Daemon == ""):
		return errors.New("whose bench? give --config FILE or --daemon URL of the running crownmark run")
	case c.Resume < 0:
		return fmt.Errorf("--resume=%d cannot be; write the calibration's number", c.Resume)
	}
	return nil
}

// stander is what leads through a calibration: a daemon, or a bench of one's own.
type stander interface {
	// begin begins under the conditions, or goes on with what was begun; it
	// returns what the person should know of it.
	begin(ctx context.Context, conditions map[string]any) (said string, err error)
	now(ctx context.Context) (standAnswer, error)
	take(ctx context.Context, reading string) error // "": what the display shows
	takeBack(ctx context.Context) error
	end(ctx context.Context) error
	// left says how to go on with what was begun.
	left() string
	// save writes the file, and says so.
	save(ctx context.Context) (said string, err error)
}

// live leads a person through a calibration, on the running daemon, or, where
// none runs, on a bench of its own.
func (c calibrateCmd) live(ctx context.Context, std stdio) error {
	if _, err := os.Stat(c.Out); err == nil {
		return fmt.Errorf("%s: it is there already; name another file with -o", c.Out)
	}
	base, err := c.base()
	if err != nil {
		return err
	}
	s := &standSession{calibrateCmd: c, ctx: ctx, talk: newDialogue(ctx, std), to: &remoteStand{calibrateCmd: c, base: base}}
	err = callAPI(ctx, "GET", base+"/healthz", "", nil, nil)
	var unheard *url.Error
	switch {
	case !errors.As(err, &unheard) || ctx.Err() != nil:
		return s.lead()
	case c.Daemon != "" || c.Resume != 0:
		return fmt.Errorf("no crownmark run answers at %s: %w; start it with this bench file, then calibrate", base, err)
	}
	own, err := c.own(std)
	if err != nil {
		return err
	}
	s.to = own
	return errors.Join(s.lead(), own.close())
}

// lead asks, begins, goes along and saves.
func (s *standSession) lead() error {
	conditions := map[string]any{}
	if s.Resume == 0 {
		var err error
		if conditions, err = s.conditions(); err != nil {
			return err
		}
	}
	said, err := s.to.begin(s.ctx, conditions)
	if err != nil {
		return err
	}
	s.talk.say("%s Enter takes a point by hand, a number is a typed reading, u takes the last back, q ends.", said)
	switch err := s.run(); {
	case err != nil && s.ctx.Err() != nil:
		return fmt.Errorf("it was left as it is, what was taken is kept: %s", s.to.left())
	case err != nil:
		return fmt.Errorf("%w; what was taken is kept: %s", err, s.to.left())
	}
	if said, err = s.to.save(context.WithoutCancel(s.ctx)); err == nil {
		s.talk.say("%s", said)
	}
	return err
}

// base is where the daemon is.
func (c calibrateCmd) base() (string, error) {
	if c.Daemon != "" {
		return strings.TrimSuffix(c.Daemon, "/"), nil
	}
	b, err := readBench(c.Config)
	if err != nil {
		return "", err
	}
	return "http://" + b.HTTP.Listen, nil
}

// conditions asks how long all lay together, and how warm it is.
func (s *standSession) conditions() (map[string]any, error) {
	s.talk.say("Indicator, reference and stand belong together at 20 °C for an hour before: a warm hand or a cold block is worth more µm than most indicators are wrong by.\n" +
		"Set the display to zero where the reference says zero, then go back by half a millimetre and come up; or press Enter there as it is.")
	out := map[string]any{"measured_by": s.MeasuredBy}
	for _, q := range []struct {
		key, ask string
		given    *float64
	}{{"soak_min", "How many minutes have they lain together? (Enter: nobody noted it)", s.SoakMin},
		{"temperature_c", "How warm is it there, °C? (Enter: nobody looked, and the doubt says so)", s.TemperatureC}} {
		v := q.given
		for v == nil {
			text := ""
			s.talk.say("%s", q.ask)
			select {
			case text = <-s.talk.lines: // the input's end is an Enter
			case <-s.ctx.Done():
				return nil, s.ctx.Err()
			}
			if text == "" {
				break
			}
			n, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
			if err != nil {
				s.talk.say("%q is no plain number", text)
				continue
			}
			v = &n
		}
		out[q.key] = v
	}
	return out, nil
}
