package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"syscall"
	"unicode/utf8"

	"crownmark/acquire"
	"crownmark/acquire/wire"
	"crownmark/fit"
	"crownmark/fit/engine/strict"
)

// benchFile is a bench file as written: how the instruments are wired and what
// is known of them. Keys with _u_ are standard uncertainties.
type benchFile struct {
	Bench struct {
		Name string `toml:"name"`
		Data string `toml:"data"` // beside the bench file unless absolute
	} `toml:"bench"`
	Encoder   encoderTable     `toml:"encoder"`
	Indicator []indicatorTable `toml:"indicator"`
	Alignment struct {
		LashDeg  float64 `toml:"lash_deg"`
		LashUDeg float64 `toml:"lash_u_deg"`
	} `toml:"alignment"`
	Sweep struct {
		IdleS       float64 `toml:"idle_s"`
		MotionDeg   float64 `toml:"motion_deg"`
		ReversalDeg float64 `toml:"reversal_deg"`
		ContactMM   float64 `toml:"contact_mm"`
		MinSpanDeg  float64 `toml:"min_span_deg"`
		WindowDeg   float64 `toml:"window_deg"`
	} `toml:"sweep"`
	HTTP struct {
		Listen string `toml:"listen"`
	} `toml:"http"`

	path string
}

type encoderTable struct {
	Port             string   `toml:"port"`
	Baud             int      `toml:"baud"`
	Frame            *string  `toml:"frame"`
	Format           *string  `toml:"format"`
	Pattern          string   `toml:"pattern"`
	Encoding         string   `toml:"encoding"`
	UnitID           *int     `toml:"unit_id"`
	Function         *int     `toml:"function"`
	Register         *int     `toml:"register"`
	Type             string   `toml:"type"`
	WordOrder        *string  `toml:"word_order"`
	Scale            *float64 `toml:"scale"`
	CountsPerRev     float64  `toml:"counts_per_rev"` // per turn of the crank
	Direction        *int     `toml:"direction"`
	Request          string   `toml:"request"`
	IntervalMS       *int     `toml:"interval_ms"`
	EccentricityUDeg *float64 `toml:"eccentricity_u_deg"`
	AccuracyUDeg     *float64 `toml:"accuracy_u_deg"`
	AngleUDeg        float64  `toml:"angle_u_deg"` // of degree marks read by eye; 0: 0.2
}

type indicatorTable struct {
	Name         string   `toml:"name"`
	Port         string   `toml:"port"`
	Baud         int      `toml:"baud"`
	Frame        *string  `toml:"frame"`
	Format       *string  `toml:"format"`
	Pattern      string   `toml:"pattern"`
	Encoding     string   `toml:"encoding"`
	UnitID       *int     `toml:"unit_id"`
	Function     *int     `toml:"function"`
	Register     *int     `toml:"register"`
	Type         string   `toml:"type"`
	WordOrder    *string  `toml:"word_order"`
	Scale        *float64 `toml:"scale"`
	Unit         *string  `toml:"unit"`
	Direction    *int     `toml:"direction"`
	ResolutionMM float64  `toml:"resolution_mm"` // 0: learned from the data
	Request      string   `toml:"request"`
	IntervalMS   *int     `toml:"interval_ms"`
	LatencyMS    float64  `toml:"latency_ms"`
	LatencyUMS   *float64 `toml:"latency_u_ms"`
	Calibration  string   `toml:"calibration"` // what calibrate --json wrote, beside the bench file unless absolute; for fit
}

const (
	defaultListen  = "127.0.0.1:8484"
	defaultData    = "crownmark.db"
	defaultLashU   = 0.2 // degrees
	defaultDelayU  = 50  // ms
	defaultAskEach = 20  // ms
)

// readBench reads and checks a bench file. The error is strict.Problems, or
// why the file cannot be read.
func readBench(path string) (benchFile, error) {
	src, err := readSettings(path)
	if err != nil {
		return benchFile{}, err
	}
	b, problems := parseBench(path, src)
	return b, problems.Err()
}

func parseBench(path string, src []byte) (benchFile, strict.Problems) {
	b := benchFile{path: path}
	b.Bench.Name, b.Bench.Data, b.HTTP.Listen = "bench", defaultData, defaultListen
	b.Alignment.LashUDeg = defaultLashU
	d := acquire.DefaultSweepConfig()
	b.Sweep.IdleS, b.Sweep.MotionDeg, b.Sweep.ReversalDeg = d.IdleS, d.MotionDeg, d.ReversalDeg
	b.Sweep.ContactMM, b.Sweep.MinSpanDeg, b.Sweep.WindowDeg = d.ContactMM, d.MinSpanDeg, d.WindowDeg
	places, problems := strict.TOML(path, src, &b)
	if len(problems) > 0 {
		return b, problems
	}
	return b, places.Locate(b.check(places))
}

// dataPath is where the store is.
func (b benchFile) dataPath() string {
	return b.beside(b.Bench.Data)
}

// config is what the bench orchestrator needs.
func (b benchFile) config() acquire.Config {
	c := acquire.Config{Name: b.Bench.Name, Encoder: b.encoder(),
		Sweep: acquire.SweepConfig{IdleS: b.Sweep.IdleS, MotionDeg: b.Sweep.MotionDeg, ReversalDeg: b.Sweep.ReversalDeg,
			ContactMM: b.Sweep.ContactMM, MinSpanDeg: b.Sweep.MinSpanDeg, WindowDeg: b.Sweep.WindowDeg}}
	for i := range b.Indicator {
		c.Indicators = append(c.Indicators, b.indicator(i))
	}
	return c
}

func (b benchFile) encoder() acquire.InstrumentConfig {
	e := b.Encoder
	request, _ := unescape(e.Request) // checked before
	c := acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Port: e.Port, Baud: e.Baud,
		Frame: or(e.Frame, "8N1"), Format: or(e.Format, "line"), Pattern: e.Pattern, Encoding: e.Encoding, Direction: or(e.Direction, 1),
		CountsPerRev: e.CountsPerRev, EccentricityUDeg: e.EccentricityUDeg, AccuracyUDeg: e.AccuracyUDeg, AngleUDeg: e.AngleUDeg,
		Request: request, LashDeg: b.Alignment.LashDeg, LashUDeg: b.Alignment.LashUDeg}
	if e.Request != "" || c.Format == wire.FormatModbus {
		c.IntervalMS = or(e.IntervalMS, defaultAskEach)
	}
	if c.Format == wire.FormatModbus {
		c.UnitID, c.Function, c.Register, c.Type = or(e.UnitID, 1), or(e.Function, 3), or(e.Register, 0), e.Type
		c.WordOrder, c.Scale = or(e.WordOrder, "high-first"), or(e.Scale, 1)
	}
	return c
}

func (b benchFile) indicator(i int) acquire.InstrumentConfig {
	t := b.Indicator[i]
	request, _ := unescape(t.Request) // checked before
	c := acquire.InstrumentConfig{Kind: acquire.KindIndicator, Name: t.Name, Port: t.Port, Baud: t.Baud,
		Frame: or(t.Frame, "8N1"), Format: or(t.Format, "line"), Pattern: t.Pattern, Encoding: t.Encoding, Direction: or(t.Direction, 1),
		Unit: or(t.Unit, "mm"), ResolutionMM: t.ResolutionMM, Request: request, IntervalMS: or(t.IntervalMS, defaultAskEach),
		LatencyMS: t.LatencyMS, LatencyUMS: or(t.LatencyUMS, defaultDelayU), LatencyOpen: t.LatencyUMS == nil && t.LatencyMS == 0}
	if c.Format == wire.FormatModbus {
		c.UnitID, c.Function, c.Register, c.Type = or(t.UnitID, 1), or(t.Function, 3), or(t.Register, 0), t.Type
		c.WordOrder, c.Scale = or(t.WordOrder, "high-first"), or(t.Scale, 1)
	}
	return c
}

// priors is what the fit may take as known of this bench.
func (b benchFile) priors() fit.Priors {
	p := fit.DefaultPriors()
	p.LashDeg, p.LashUDeg, p.MinSpanDeg = b.Alignment.LashDeg, b.Alignment.LashUDeg, b.Sweep.MinSpanDeg
	p.EccentricityUDeg, p.AccuracyUDeg = b.Encoder.EccentricityUDeg, b.Encoder.AccuracyUDeg
	if b.Encoder.CountsPerRev > 0 {
		p.EncoderStepDeg = 360 / b.encoder().TicksPerTurn(acquire.UnitCount, 0)
	}
	p.Indicators = map[string]fit.IndicatorPrior{}
	for i := range b.Indicator {
		c := b.indicator(i)
		p.Indicators[c.Name] = fit.IndicatorPrior{LatencyMS: c.LatencyMS, LatencyUMS: c.LatencyUMS, ResolutionMM: c.ResolutionMM, FromArrivals: c.LatencyOpen}
	}
	if len(b.Indicator) == 1 { // a file that names no indicator means the only one
		p.Default = p.Indicators[b.Indicator[0].Name]
	}
	return p
}

func or[T any](given *T, otherwise T) T {
	if given == nil {
		return otherwise
	}
	return *given
}

// unescape turns Go escapes (\r, \x05, …) into bytes.
func unescape(s string) (string, error) {
	var out strings.Builder
	for s != "" {
		r, wide, rest, err := strconv.UnquoteChar(s, 0)
		if err != nil {
			return "", err
		}
		if s = rest; wide || r < utf8.RuneSelf {
			out.WriteRune(r)
		} else {
			out.WriteByte(byte(r)) // \x80 … \xff is one byte, not a letter
		}
	}
	return out.String(), nil
}

// mostSettings bounds a bench or an engine file, in bytes.
const mostSettings = 1 << 20

// readSettings reads a bench or an engine file.
func readSettings(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, cannotRead(path, err)
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, mostSettings+1))
	if err != nil {
		return nil, cannotRead(path, err)
	}
	if len(src) > mostSettings {
		return nil, fmt.Errorf("%s: longer than any bench or engine file; check its name", path)
	}
	return src, nil
}

func cannotRead(path string, err error) error {
	switch {
	case os.IsNotExist(err):
		return fmt.Errorf("%s: there is no such file; check its name and folder", path)
	case errors.Is(err, syscall.EISDIR):
		return fmt.Errorf("%s: this is a folder; name a file in it", path)
	}
	return fmt.Errorf("%s: %w; check its permissions", path, err)
}
