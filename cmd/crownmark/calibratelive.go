package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"

	"crownmark/acquire"
)

// liveFlags are those of a guided calibration on a running daemon.
type liveFlags struct {
	Live       bool      `help:"Calibrate now: the running crownmark run leads through the points."`
	Config     string    `placeholder:"FILE" help:"With --live: the bench file of the running daemon."`
	Daemon     string    `placeholder:"URL" help:"With --live: where the daemon is, instead of --config."`
	Instrument string    `placeholder:"NAME" help:"With --live: which indicator of the register, by name or number; its only one if left out."`
	Reference  string    `placeholder:"NAME" help:"With --live: blocks or head of the register; none said if left out."`
	Scheme     string    `placeholder:"NAME" help:"With --live: which points; the indicator's own scheme if left out, else iso13102."`
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

// live leads a person through a calibration on a running daemon.
func (c calibrateCmd) live(ctx context.Context, std stdio) error {
	base, err := c.base()
	if err != nil {
		return err
	}
	if _, err := os.Stat(c.Out); err == nil {
		return fmt.Errorf("%s: it is there already; name another file with -o", c.Out)
	}
	s := &standSession{calibrateCmd: c, ctx: ctx, talk: newDialogue(ctx, std), base: base}
	if c.Resume != 0 {
		s.id = c.Resume
		err = s.post("/resume", struct{}{}, nil)
	} else {
		err = s.begin()
	}
	if err != nil {
		return s.reached(err)
	}
	if err := s.run(); err != nil {
		return s.left(err)
	}
	return s.write()
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

// reached says what to do where no daemon answers.
func (s *standSession) reached(err error) error {
	var unheard *url.Error
	if !errors.As(err, &unheard) || s.ctx.Err() != nil {
		return err
	}
	return fmt.Errorf("no crownmark run answers at %s: %w; start it with this bench file, then calibrate", s.base, err)
}

// left says how to go on with what was begun.
func (s *standSession) left(err error) error {
	if s.ctx.Err() != nil {
		return fmt.Errorf("calibration %d was left as it is, what was taken is kept: go on with --resume %d, or end it on its page", s.id, s.id)
	}
	return fmt.Errorf("%w; what was taken is kept: go on with --resume %d", err, s.id)
}

// begin asks what is not said yet, and begins.
func (s *standSession) begin() error {
	instrument, err := s.find(s.Instrument, "indicator")
	if err != nil {
		return err
	}
	body := map[string]any{"instrument": instrument, "kind": "calibration", "runs": s.Runs, "repeats": s.Repeats, "by_key": s.ByKey, "local_span_mm": s.LocalSpan}
	if s.Scheme != "" {
		body["scheme"] = s.Scheme
	}
	if len(s.Points) > 0 {
		body["points_mm"] = s.Points
	}
	if s.SteadyS > 0 {
		body["steady_s"] = s.SteadyS
	}
	if s.Typed {
		body["indicator"] = acquire.PlainDial
	}
	if s.Reference != "" {
		if body["reference"], err = s.find(s.Reference, "head", "blocks"); err != nil {
			return err
		}
	}
	if body["conditions"], err = s.conditions(); err != nil {
		return err
	}
	var made struct{ ID int64 }
	if err := callAPI(s.ctx, "POST", s.base+"/api/v1/calibrations", rand.Text(), body, &made); err != nil {
		return err
	}
	s.id = made.ID
	return nil
}

// conditions asks how long all lay together, and how warm it is.
func (s *standSession) conditions() (map[string]any, error) {
	s.talk.say("Indicator, reference and stand belong together at 20 °C for an hour before: a warm hand or a cold block is worth more µm than most indicators are wrong by.\n" +
		"Zero the display with the plunger on its resting stop, hands off.")
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

// find is the number of what the register calls so; name "": its only one.
func (s *standSession) find(name string, kinds ...string) (int64, error) {
	var all, fits []registered
	for after := int64(0); ; {
		var page struct {
			Items []registered
			Next  *int64
		}
		if err := callAPI(s.ctx, "GET", fmt.Sprintf("%s/api/v1/instruments?limit=500&after=%d", s.base, after), "", nil, &page); err != nil {
			return 0, err
		}
		all = append(all, page.Items...)
		if page.Next == nil {
			break
		}
		after = *page.Next
	}
	kind := strings.Join(kinds, " or ")
	for _, i := range all {
		if i.State == "kept" && strings.Contains(kind, i.Record.Kind) && (name == "" || i.Record.Name == name || strconv.FormatInt(i.ID, 10) == name) {
			fits = append(fits, i)
		}
	}
	if len(fits) == 1 {
		return fits[0].ID, nil
	}
	where := fmt.Sprintf("see %s/register", s.base)
	switch {
	case len(fits) > 1:
		return 0, fmt.Errorf("the register has %d of kind %s: name one with --instrument; %s", len(fits), kind, where)
	case name == "":
		return 0, fmt.Errorf("the register has no %s yet: write it down first; %s", kind, where)
	}
	return 0, fmt.Errorf("the register has no %s %q; %s", kind, name, where)
}

// registered is as much of an instrument's document as is looked at.
type registered struct {
	ID     int64
	State  string
	Record struct{ Kind, Name string }
}

// write ends with the file that crownmark calibrate reads.
func (s *standSession) write() error {
	r, err := http.NewRequestWithContext(context.WithoutCancel(s.ctx), "GET", fmt.Sprintf("%s/api/v1/calibrations/%d/points.csv", s.base, s.id), nil)
	if err != nil {
		return err
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return s.left(err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("calibration %d: its points: %s", s.id, answer.Status)
	}
	if err := toFile(s.Out, nil, func(w io.Writer) error { _, err := io.Copy(w, answer.Body); return err }); err != nil {
		return err
	}
	s.talk.say("%s: %s of calibration %d. Next: crownmark calibrate %s", s.Out, count(s.taken, "point"), s.id, s.Out)
	return nil
}
