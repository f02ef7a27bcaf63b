package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/engine"
)

type recordCmd struct {
	Marks       bool    `required:"" help:"Read the damper's own degree marks."`
	Engine      string  `placeholder:"FILE" help:"Engine file (TOML). Not with --daemon: the job has its engine."`
	Config      string  `placeholder:"FILE" help:"Bench file with the indicator; without it the height is typed."`
	Indicator   string  `placeholder:"NAME" help:"Which indicator of the bench; if left out its first one, with --daemon a plain dial."`
	Cylinder    int     `placeholder:"N" help:"Cylinder to begin with; the reference if left out."`
	Out         string  `short:"o" default:"marks.csv" placeholder:"FILE" help:"File to write (${default}); every pair is on the disk when it is shown."`
	Append      bool    `help:"Go on with the file if it is there."`
	DamperMoved bool    `help:"With --append or --daemon: the damper or its pointer was moved since, so that its marks have another zero."`
	Step        float64 `default:"3" help:"Degrees from mark to mark."`
	Span        float64 `default:"21" help:"Degrees before and after the top."`
	AngleUDeg   float64 `name:"angle-u-deg" help:"How well the marks are read, in degrees; the bench file's, or 0.2, if left out."`
	Daemon      string  `placeholder:"URL" help:"Hand the pairs to a running crownmark run instead of a file."`
	Job         int64   `placeholder:"N" help:"With --daemon: the job."`
}

// Help is shown below the flags.
func (recordCmd) Help() string {
	return `Without an encoder: turn to a mark, press Enter (a pedal that sends Enter will do) or type the angle; the height comes from the live display, or is typed too. One sweep is one direction; read each cylinder both ways. No daemon is needed. "crownmark fit FILE --engine ENGINE" then tells the index.`
}

// Validate is called once the flags are read.
func (c recordCmd) Validate() error {
	switch {
	case c.Daemon == "" && c.Engine == "":
		return errors.New("whose crank is it? give --engine FILE, or --daemon URL with --job N")
	case c.Daemon != "" && (c.Job <= 0 || c.Engine != "" || c.Config != "" || c.Append):
		return errors.New("--daemon needs --job, and takes neither --engine, --config nor --append: the daemon has them")
	case c.Daemon == "" && c.Job != 0:
		return errors.New("--job belongs to --daemon")
	case !(c.Step > 0 && c.Step <= 30):
		return fmt.Errorf("--step=%g cannot be; write the degrees from mark to mark, such as 3", c.Step)
	case !(c.Span >= c.Step && c.Span <= 180):
		return fmt.Errorf("--span=%g cannot be; write the degrees before and after the top, such as 21", c.Span)
	case !(c.AngleUDeg >= 0 && c.AngleUDeg <= 5):
		return fmt.Errorf("--angle-u-deg=%g cannot be; write up to 5, 0.2 for fine marks", c.AngleUDeg)
	}
	return nil
}

// handReader takes what a person reads. *acquire.Bench is one.
type handReader interface {
	BeginHand(context.Context, acquire.BeginHand) (acquire.HandSweep, error)
	ReadHand(ctx context.Context, sweep int64, mark, height string) (acquire.HandSweep, error)
	TakeBackHand(ctx context.Context, sweep int64) (acquire.HandSweep, error)
	EndHand(ctx context.Context, sweep int64) (acquire.HandSweep, error)
}

var _ handReader = (*acquire.Bench)(nil)

// Run reads marks until the input ends or it is told to.
func (c recordCmd) Run(ctx context.Context, std stdio) error {
	if c.Daemon != "" {
		return c.toDaemon(ctx, std)
	}
	e, err := readEngine(c.Engine)
	if err != nil {
		return err
	}
	cfg, err := c.bench()
	if err != nil {
		return err
	}
	sheet, err := openSheet(c.Out, c.Append, std.out)
	if err != nil {
		return err
	}
	err = c.toSheet(ctx, std, e, cfg, sheet)
	return errors.Join(err, sheet.close())
}

// toSheet reads marks through a bench of its own, which hands them to the file.
func (c recordCmd) toSheet(ctx context.Context, std stdio, e engine.Engine, cfg acquire.Config, sheet *sheet) error {
	b, err := acquire.NewBench(cfg, sheet, sheet.resume, acquire.Options{OnEvent: tellNotices(std.err)})
	if err != nil {
		return err
	}
	benchCtx, stop := context.WithCancel(context.WithoutCancel(ctx))
	ran := make(chan error, 1)
	go func() { ran <- b.Run(benchCtx) }()
	live := cfg.Indicators[0].Name
	if cfg.Indicators[0].ByEye() {
		live = ""
	} else if err = waitLive(ctx, b, std.out); err != nil {
		stop()
		return errors.Join(err, <-ran)
	}
	s := c.session(ctx, std, e, b)
	s.begin.Job, s.begin.Indicator, s.live = sheetJob, cfg.Indicators[0].Name, live != ""
	err = s.run()
	stop()
	err = errors.Join(err, <-ran)
	if err == nil && s.pairs > 0 {
		fmt.Fprintf(std.out, "%s: kept. Next: crownmark fit %s --engine %s\n", c.Out, c.Out, c.Engine)
	}
	return err
}

// tellNotices says what stands in the way: a lost port, a full disk.
func tellNotices(out io.Writer) func(acquire.Event) {
	return func(e acquire.Event) {
		if e.Notice != nil {
			fmt.Fprintf(out, "crownmark: %s %s\n", e.Notice.Text, e.Notice.Fix)
		}
	}
}

// bench is the one indicator that is read, and marks for an encoder.
func (c recordCmd) bench() (acquire.Config, error) {
	cfg := acquire.Config{Name: "record", Sweep: acquire.DefaultSweepConfig(),
		Encoder:    acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Format: acquire.FormatMarks, Direction: 1},
		Indicators: []acquire.InstrumentConfig{{Kind: acquire.KindIndicator, Name: acquire.PlainDial, Format: acquire.FormatTyped, Direction: 1, Unit: "mm"}}}
	if c.Config == "" {
		return cfg, nil
	}
	b, err := readBench(c.Config)
	if err != nil {
		return cfg, err
	}
	all := b.config()
	cfg.Encoder.AngleUDeg, cfg.Sweep = all.Encoder.AngleUDeg, all.Sweep
	i := slices.IndexFunc(all.Indicators, func(i acquire.InstrumentConfig) bool { return i.Name == c.Indicator || c.Indicator == "" })
	if i < 0 {
		return cfg, fmt.Errorf("%s: it has no indicator %q; name one of its [[indicator]] tables", c.Config, c.Indicator)
	}
	cfg.Indicators = all.Indicators[i : i+1]
	return cfg, nil
}

// waitLive waits until the indicator is heard, and says what keeps it.
func waitLive(ctx context.Context, b *acquire.Bench, out io.Writer) error {
	const patience, look = 20 * time.Second, 100 * time.Millisecond
	said := ""
	for began := time.Now(); ; {
		i := b.Snapshot().Indicators[0]
		if i.Live {
			fmt.Fprintf(out, "indicator %s shows %.3f mm\n", i.Name, *i.Value)
			return nil
		}
		if i.Detail != said {
			said = i.Detail
			fmt.Fprintln(out, said)
		}
		if time.Since(began) > patience {
			return fmt.Errorf("indicator %s is not heard: %s; leave --config out to type the heights", i.Name, i.Detail)
		}
		select {
		case <-time.After(look):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// opening is said before anything is turned.
func (s *markSession) opening() {
	list(s.talk.out, "Caution", fit.Cautions())
	way := s.engine.RunningDirection
	if way == "" {
		way = "in its running direction"
	}
	height := "Then type the height the dial shows (mm; write \"in\" after inches); it grows as the piston rises."
	if s.live {
		height = "Hold the crank still: the height is taken from the display, once it stands."
	}
	s.talk.say("\n%s, turned %s seen from the damper end. Marks are negative before the top of cylinder %d and grow in running direction.\n"+
		"Turn to the mark named, then press Enter; or type another angle. %s\n"+
		"u takes the last back, c 3 goes to cylinder 3, r is turning round for the next sweep, q ends.",
		s.engine.Name, strings.TrimSpace(way), s.engine.Reference(), height)
}
