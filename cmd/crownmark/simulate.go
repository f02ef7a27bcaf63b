package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"crownmark/acquire/virtual"
	"crownmark/fit/engine"
	"crownmark/fit/sweepcsv"
)

type simulateCmd struct {
	Engine string `required:"" placeholder:"FILE" help:"Engine file (TOML)."`
	Seed   uint64 `default:"1" help:"The same seed gives the same bench, crank and bytes."`
	Out    string `placeholder:"FILE" help:"Where the sweeps go; standard output if left out."`
	Truth  string `placeholder:"FILE" help:"Also write the truth behind them, as JSON."`

	planFlags
	disturbFlags
	faultFlags
}

// Help is shown below the flags.
func (simulateCmd) Help() string {
	return `The file is marked as simulated and reads like one from a real bench:

  crownmark simulate --engine engine.toml --truth truth.json --out sweeps.csv
  crownmark fit sweeps.csv --engine engine.toml

A size is one number or a range to draw from: --play-mm 0.05 or --play-mm 0..0.09.

An indicator that shows heights wrongly, its calibration on gauge blocks, and what is left of the error:

  crownmark simulate --engine engine.toml --scale-error 0.02 --bump-mm 0.01 --points left=left.csv --out sweeps.csv
  crownmark calibrate left.csv --json > left.json
  crownmark fit sweeps.csv --engine engine.toml --calibration left=left.json`
}

type planFlags struct {
	OneWay    bool      `xor:"ways" help:"Sweep in running direction only."`
	SlowFast  bool      `xor:"ways" help:"Sweep in running direction only, once slowly and once fast."`
	NoClosing bool      `help:"Do not sweep the reference again at the end."`
	Repeats   int       `default:"1" help:"Sweeps each way in one placement."`
	Remount   []float64 `placeholder:"DEG" help:"Then all again, the encoder turned on the crank by these degrees, for example 180,90."`
	Slip      float64   `placeholder:"DEG" help:"The encoder slips by this half-way, unnoticed."`
}

func (f planFlags) plan() virtual.Plan {
	p := virtual.DefaultPlan()
	switch {
	case f.OneWay:
		p.Ways = virtual.Forward
	case f.SlowFast:
		p.Ways = virtual.SlowFast
	}
	p.Closing, p.Repeats, p.Remounts, p.SlipDeg = !f.NoClosing, f.Repeats, f.Remount, f.Slip
	return p
}

type disturbFlags struct {
	Quiet      bool     `help:"Nothing disturbs, and the crank is true; sizes given beside it still hold."`
	ThrowDeg   *size    `placeholder:"SIZE" help:"Throw errors; their signs are tossed."`
	LatencyMS  *size    `placeholder:"SIZE" help:"Delay of an indicator behind the encoder."`
	LashDeg    *size    `placeholder:"SIZE" help:"Free play between crank and encoder."`
	PlayMM     *size    `placeholder:"SIZE" help:"Clearance the piston hangs in over the top."`
	TiltMM     *size    `placeholder:"SIZE" help:"Piston rocking over at the top."`
	NoiseMM    *size    `placeholder:"SIZE" help:"Noise of a reading."`
	Spikes     *size    `placeholder:"SHARE" help:"Share of wrong readings."`
	Eccentric  *float64 `name:"eccentricity-deg" placeholder:"DEG" help:"Standard deviation of the encoder's error once and twice a turn."`
	Accuracy   *float64 `name:"accuracy-deg" placeholder:"DEG" help:"Standard deviation of the encoder's own divided circle."`
	StepMM     *float64 `placeholder:"MM" help:"Display step."`
	Counts     *int     `placeholder:"N" help:"Encoder counts for one turn."`
	Indicators []string `placeholder:"NAMES" help:"Indicators, for example left,right: they log two cylinders at once."`
}

func (f disturbFlags) disturbances() virtual.Disturbances {
	d := virtual.DefaultDisturbances()
	if f.Quiet {
		d = virtual.Quiet()
	}
	for flag, to := range map[*size]*virtual.Range{f.ThrowDeg: &d.ThrowErrorDeg, f.LatencyMS: &d.LatencyMS, f.LashDeg: &d.LashDeg,
		f.PlayMM: &d.PlayMM, f.TiltMM: &d.TiltFlipMM, f.NoiseMM: &d.NoiseMM, f.Spikes: &d.SpikeShare} {
		if flag != nil {
			*to = virtual.Range(*flag)
		}
	}
	d.EccentricityUDeg, d.AccuracyUDeg = or(f.Eccentric, d.EccentricityUDeg), or(f.Accuracy, d.AccuracyUDeg)
	if f.StepMM != nil {
		d.Steps = []virtual.Step{{Unit: "mm", Size: *f.StepMM}}
	}
	if f.Counts != nil {
		d.CountsPerRev = []int{*f.Counts}
	}
	if len(f.Indicators) > 0 {
		d.Indicators = f.Indicators
	}
	return d
}

// size is one number or a range, "0.05" or "0..0.09".
type size virtual.Range

// maxSize is beyond every bench; its square is still a number.
const maxSize = 1e6

// UnmarshalText reads it from the command line.
func (s *size) UnmarshalText(text []byte) error {
	from, to, isRange := strings.Cut(string(text), "..")
	if !isRange {
		to = from
	}
	var err1, err2 error
	s.Lo, err1 = strconv.ParseFloat(from, 64)
	s.Hi, err2 = strconv.ParseFloat(to, 64)
	if err1 != nil || err2 != nil || !(-maxSize <= s.Lo && s.Lo <= s.Hi && s.Hi <= maxSize) {
		return fmt.Errorf("%q is no size: write one number, or a range such as 0..0.09", text)
	}
	return nil
}

// Validate is called once the flags are read: a truth that cannot be is no
// truth.
func (c simulateCmd) Validate() error {
	for _, deg := range append([]float64{c.Slip}, c.Remount...) {
		if math.IsNaN(deg) || math.IsInf(deg, 0) {
			return fmt.Errorf("--slip and --remount: %g is no angle: write degrees", deg)
		}
	}
	for flag, u := range map[string]*float64{"--eccentricity-deg": c.Eccentric, "--accuracy-deg": c.Accuracy} {
		if v := or(u, 0); !(v >= 0 && v <= 10) {
			return fmt.Errorf("%s: %g is no encoder's: write 0 to 10", flag, v)
		}
	}
	for flag, s := range map[string]*size{"--lash-deg": c.LashDeg, "--play-mm": c.PlayMM, "--noise-mm": c.NoiseMM, "--spikes": c.Spikes} {
		if s != nil && s.Lo < 0 {
			return fmt.Errorf("%s: %g is below nothing: write 0 or more", flag, s.Lo)
		}
	}
	if s := c.Spikes; s != nil && s.Hi > 1 {
		return fmt.Errorf("--spikes: %g is no share: write 0 to 1", s.Hi)
	}
	if c.Repeats < 1 || c.Repeats > 100 {
		return fmt.Errorf("--repeats: %d is no number of sweeps: write 1 to 100", c.Repeats)
	}
	if mm := or(c.StepMM, 1); !(mm > 0 && mm <= 100) {
		return fmt.Errorf("--step-mm: %g is no display's: write its last digit in mm, such as 0.001", mm)
	}
	if n := or(c.Counts, 1); n < 1 {
		return fmt.Errorf("--counts: %d is no encoder's: write how many one turn gives, such as 7200", n)
	}
	if err := c.faultFlags.check(); err != nil {
		return err
	}
	for i, name := range c.Indicators {
		if strings.TrimSpace(name) == "" || slices.Contains(c.Indicators[:i], name) {
			return fmt.Errorf("--indicators: %q is empty or stands twice: give each its own name", name)
		}
	}
	return nil
}

// Run writes the sweeps and the truth.
func (c simulateCmd) Run(ctx context.Context, std stdio) error {
	e, err := readEngine(c.Engine)
	if err != nil {
		return err
	}
	truth := virtual.Draw(virtualEngine(e), c.Seed, c.faults(c.disturbances()))
	if c.Truth != "" {
		if err := toFile(c.Truth, nil, func(w io.Writer) error { return writeJSON(w, truth) }); err != nil {
			return err
		}
	}
	if err := c.writePoints(truth); err != nil {
		return err
	}
	return toFile(c.Out, std.out, func(w io.Writer) error {
		return simulateTo(ctx, w, truth, c.plan())
	})
}

func simulateTo(ctx context.Context, w io.Writer, truth virtual.Truth, plan virtual.Plan) error {
	out := sweepcsv.NewWriter(w, false)
	if faulty(truth) {
		out.WithRest()
	}
	err := virtual.Simulate(truth, plan, func(r virtual.Row) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return out.Write(sweepRow(r))
	})
	if err != nil {
		return err
	}
	return out.Flush()
}

func sweepRow(r virtual.Row) sweepcsv.Row {
	row := sweepcsv.Row{TS: r.TS, HeightMM: r.HeightMM, Indicator: r.Indicator, Mount: r.Mount, Setup: r.Setup, Zeroing: r.Zeroing, Simulated: true}
	if r.HeightMM == nil || r.Sweep == 0 {
		row.AngleDeg = &r.AngleDeg
	}
	if r.Sweep > 0 {
		id := int64(r.Sweep)
		row.Sweep, row.Cylinder, row.RestMM = &id, &r.Cylinder, r.RestMM
		if r.ReclockDeg != 0 {
			row.ReclockDeg = &r.ReclockDeg
		}
	}
	return row
}

func readEngine(path string) (engine.Engine, error) {
	src, err := readSettings(path)
	if err != nil {
		return engine.Engine{}, err
	}
	return engine.Parse(path, src)
}

// toFile lets write fill path, or otherwise where path is "". A file appears
// only when all of it is written.
func toFile(path string, otherwise io.Writer, write func(io.Writer) error) error {
	if path == "" {
		b := bufio.NewWriter(otherwise)
		if err := write(b); err != nil {
			return err
		}
		return b.Flush()
	}
	part := path + ".part"
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() && !info.IsDir() {
		part = path // a pipe or a device is written to, never put a file in its place
	}
	f, err := os.Create(part)
	if err != nil {
		return cannotWrite(path, err)
	}
	b := bufio.NewWriter(f)
	if err = write(b); err == nil {
		err = b.Flush()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if part == path {
		return err
	}
	if err == nil {
		if err = os.Rename(part, path); err != nil {
			err = cannotWrite(path, err)
		}
	}
	if err != nil {
		_ = os.Remove(part)
	}
	return err
}

func cannotWrite(path string, err error) error {
	var link *os.LinkError
	if errors.As(err, &link) { // its text names the unfinished file
		err = link.Err
	}
	return fmt.Errorf("%s: cannot be written: %w; name another place, or mend its permissions", path, err)
}
