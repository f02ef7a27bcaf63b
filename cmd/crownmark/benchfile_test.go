package main

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"crownmark/acquire"
	"crownmark/fit"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the messages that bad files give into them")

// Each bad file ends with the exact messages it must give, one "#! " line each.
func TestBadBenchFilesSayWhereWhatAndTheFix(t *testing.T) {
	t.Parallel()
	files, _ := filepath.Glob("testdata/bench/bad/*.toml")
	if len(files) < 9 {
		t.Fatalf("only %d bad files", len(files))
	}
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			src, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			body, want, _ := strings.Cut(string(src), "#! ")
			want = strings.TrimSuffix(strings.ReplaceAll(want, "\n#! ", "\n"), "\n")
			_, problems := parseBench("bench.toml", []byte(body))
			if len(problems) == 0 {
				t.Fatal("accepted")
			}
			if *update {
				out := body + "#! " + strings.ReplaceAll(problems.Error(), "\n", "\n#! ") + "\n"
				if err := os.WriteFile(path, []byte(out), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if diff := cmp.Diff(want, problems.Error()); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestBenchFileBecomesConfigAndPriors(t *testing.T) {
	t.Parallel()
	b, err := readBench("testdata/bench/good.toml")
	if err != nil {
		t.Fatal(err)
	}
	eccentricity, accuracy := 0.05, 0.02
	want := acquire.Config{Name: "bench-1", Sweep: acquire.DefaultSweepConfig(),
		Encoder: acquire.InstrumentConfig{Kind: acquire.KindEncoder, Name: "encoder", Port: "/dev/serial/by-id/encoder", Baud: 115200, Frame: "8N1", Format: "line",
			Pattern: `^(?P<count>[-+]?\d+)$`, Direction: 1, CountsPerRev: 7200, EccentricityUDeg: &eccentricity, AccuracyUDeg: &accuracy, LashUDeg: 0.2},
		Indicators: []acquire.InstrumentConfig{{Kind: acquire.KindIndicator, Name: "left", Port: "/dev/serial/by-id/left", Baud: 9600, Frame: "8N1", Format: "line",
			Pattern: `^\s*(?P<value>[-+]?\s*\d+[.,]?\d*)\s*(?P<unit>mm|in)?\s*$`, Direction: 1, Unit: "mm", ResolutionMM: 0.001, Request: "\x05R\r", IntervalMS: 20, LatencyUMS: 50}}}
	if diff := cmp.Diff(want, b.config()); diff != "" {
		t.Error(diff)
	}
	left := fit.IndicatorPrior{LatencyUMS: 50, ResolutionMM: 0.001}
	priors := fit.Priors{Indicators: map[string]fit.IndicatorPrior{"left": left}, Default: left, LashUDeg: 0.2,
		EncoderStepDeg: 0.05, EccentricityUDeg: &eccentricity, AccuracyUDeg: &accuracy, MinSpanDeg: 6}
	if diff := cmp.Diff(priors, b.priors()); diff != "" {
		t.Error(diff)
	}
	if got := b.dataPath(); got != filepath.Join("testdata", "bench", "crownmark.db") {
		t.Error(got)
	}
}

// One of each format, with what its keys are when they are left out.
func TestFormatsBecomeConfig(t *testing.T) {
	t.Parallel()
	b, err := readBench("testdata/bench/good/formats.toml")
	if err != nil {
		t.Fatal(err)
	}
	got := b.config()
	indicator := acquire.InstrumentConfig{Kind: acquire.KindIndicator, Direction: 1, Unit: "mm", IntervalMS: 20, LatencyUMS: 50, LatencyOpen: true, Frame: "8N1"}
	left, right, middle := indicator, indicator, indicator
	left.Name, left.Port, left.Baud, left.Frame, left.Format = "left", "/dev/serial/by-id/bus", 19200, "8E1", "modbus-rtu"
	left.UnitID, left.Function, left.Type, left.WordOrder, left.Scale = 1, 3, "int32", "high-first", 0.001
	right.Name, right.Port, right.Baud, right.Format, right.Encoding = "right", "/dev/serial/by-id/right", 9600, "bcd-frame", "hex"
	right.Request, right.IntervalMS = "R\r", 100
	middle.Name, middle.Port, middle.Baud, middle.Format, middle.Encoding = "middle", "/dev/serial/by-id/middle", 4800, "bcd-frame", "packed"
	want := []acquire.InstrumentConfig{{Kind: acquire.KindEncoder, Name: "encoder", Port: "/dev/serial/by-id/bus", Baud: 19200, Frame: "8E1", Format: "modbus-rtu",
		Direction: 1, CountsPerRev: 2500, LashUDeg: 0.2, UnitID: 2, Function: 4, Register: 16, Type: "uint32", WordOrder: "low-first", Scale: 0.25, IntervalMS: 10},
		left, right, middle}
	if diff := cmp.Diff(want, append([]acquire.InstrumentConfig{got.Encoder}, got.Indicators...)); diff != "" {
		t.Error(diff)
	}
	if step := b.priors().EncoderStepDeg; step != 360*0.25/2500 {
		t.Errorf("a step is %g°", step)
	}
}

func TestRequestEscapes(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{`\x05R\r\n`: "\x05R\r\n", "\x05\r": "\x05\r", `\xff"'`: "\xff\"'", "": "", "°": "°"} {
		if got, err := unescape(in); err != nil || got != want {
			t.Errorf("%q: %q, %v", in, got, err)
		}
	}
}

// A bench file that says nothing of an indicator's delay leaves it to how the
// readings come; one that says something is believed.
func TestLatencyIsOpenWhereNothingIsSaid(t *testing.T) {
	t.Parallel()
	for text, open := range map[string]bool{"": true, "latency_u_ms = 20.0": false, "latency_ms = 12.5": false} {
		b, problems := parseBench("b.toml", []byte("[encoder]\nport = \"/dev/e\"\nbaud = 9600\npattern = '^(?P<count>\\d+)$'\ncounts_per_rev = 7200\n"+
			"[[indicator]]\nname = \"left\"\nport = \"/dev/i\"\nbaud = 9600\npattern = '^(?P<value>\\d+)$'\n"+text+"\n"))
		if len(problems) > 0 || b.config().Indicators[0].LatencyOpen != open || b.priors().Indicators["left"].FromArrivals != open {
			t.Errorf("%q: open %v, want %v (%v)", text, b.config().Indicators[0].LatencyOpen, open, problems)
		}
	}
}

// A bench that people read: no port, and nothing that is guessed of one.
func TestBenchReadByEye(t *testing.T) {
	t.Parallel()
	b, err := readBench("testdata/bench/good/read-by-eye.toml")
	if err != nil {
		t.Fatal(err)
	}
	c := b.config()
	if e := c.Encoder; !e.ByEye() || e.AngleUDeg != 0.25 || e.Port != "" {
		t.Errorf("encoder %+v", e)
	}
	if i := c.Indicators[0]; !i.ByEye() || i.ResolutionMM != 0.01 || i.Unit != "mm" || i.Name != "dial" {
		t.Errorf("indicator %+v", i)
	}
	if p := b.priors(); p.EncoderStepDeg != 0 || p.Indicators["dial"].ResolutionMM != 0.01 {
		t.Errorf("priors %+v", p)
	}
}
