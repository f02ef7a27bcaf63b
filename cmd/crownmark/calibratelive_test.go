package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"crownmark/acquire/virtual"
	"crownmark/fit/pointcsv"
)

// register writes a head and the bench's indicator into a daemon's register.
func register(t *testing.T, base string) {
	t.Helper()
	for _, r := range []map[string]any{{"kind": "head", "name": "head 25", "u95_mm": 0.001},
		{"kind": "indicator", "name": "dial", "bench_name": "left", "range_mm": 8, "resolution_mm": 0.001}} {
		if err := callAPI(t.Context(), "POST", base+"/api/v1/instruments", "", map[string]any{"record": r}, nil); err != nil {
			t.Fatal(err)
		}
	}
}

// By the command line, over the virtual bench: what is asked at the beginning,
// one Enter where the display was not zeroed, the rest by itself; the file is
// what crownmark calibrate reads.
func TestCalibrateLive(t *testing.T) {
	t.Parallel()
	base := takePart(t)
	dir := t.TempDir()
	bench, file := filepath.Join(dir, "bench.toml"), filepath.Join(dir, "dial.csv")
	text := fmt.Sprintf("[encoder]\nformat = \"marks\"\n[[indicator]]\nname = \"left\"\nformat = \"typed\"\n[http]\nlisten = %q\n", strings.TrimPrefix(base, "http://"))
	if err := os.WriteFile(bench, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	register(t, base)
	said := converse(t, []string{"calibrate", "--live", "--config", bench, "--reference", "head 25", "--points", "0,0.6,1.2", "--repeats", "1", "--steady-s", "0.5", "-o", file},
		func(line string) (string, bool) {
			switch {
			case strings.HasPrefix(line, "How many minutes"):
				return "60", true
			case strings.HasPrefix(line, "How warm"):
				return "20,5", true
			case strings.HasSuffix(line, "press Enter there, or type what it shows"), strings.HasPrefix(line, "all points are taken"):
				return "", true
			}
			return "", false
		})
	for _, want := range []string{"for an hour before", "set the reference to 0.600 mm, the plunger moving in", "  1 of 7   up        0.000", "set the reference to 1.200 mm, the plunger moving out",
		"  7 of 7   repeat    0.600", file + ": the points of calibration 1. Next: crownmark calibrate " + file + "; the certificate is issued at http://", "/calibrations/1\n"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q was not said:\n%s", want, said)
		}
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if got, err := pointcsv.Read(file, f); err != nil || len(got.Points) != 7 {
		t.Errorf("%v: %d points", err, len(got.Points))
	}
	var kept struct {
		State      string
		Conditions struct {
			SoakMin      *float64 `json:"soak_min"`
			TemperatureC *float64 `json:"temperature_c"`
		}
	}
	if err := callAPI(t.Context(), "GET", base+"/api/v1/calibrations/1", "", nil, &kept); err != nil || kept.State != "ended" || *kept.Conditions.SoakMin != 60 || *kept.Conditions.TemperatureC != 20.5 {
		t.Errorf("%v: kept %+v", err, kept)
	}
}

// Typed from a list, with slips; a run that nobody finishes is kept, and taken
// up again.
func TestCalibrateLiveTyped(t *testing.T) {
	t.Parallel()
	base, stop := eyeDaemon(t)
	defer stop()
	register(t, base)
	file := filepath.Join(t.TempDir(), "typed.csv")
	live := func(in string, more ...string) (status int, out, errs string) {
		var o, e strings.Builder
		args := append([]string{"calibrate", "--live", "--daemon", base, "-o", file}, more...)
		status = Run(t.Context(), args, strings.NewReader(in), &o, &e)
		return status, o.String(), e.String()
	}
	status, out, errs := live("\n\n0.001\nwhat\n1.5x\n9\n1.003\nu\n1.004\n", "--instrument", "dial", "--points", "0,1", "--repeats=-1", "--typed")
	if status != exitNot || !strings.Contains(errs, "go on with --resume 1") {
		t.Errorf("status %d: %s", status, errs)
	}
	for _, want := range []string{`"what" is not known here`, `not taken: "1.5x" is no plain number`, "not taken: the display shows 9.000, and about 1.001 is expected at 1 mm"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q was not said:\n%s", want, out)
		}
	}
	if status, out, errs = live("1.005\n0.002\n\n", "--resume", "1"); status != exitDone || !strings.Contains(out, "the points of calibration 1") {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
	b, err := os.ReadFile(file)
	if want := "run,direction,reference_mm,reading_mm\n1,up,0,0.001\n1,up,1,1.004\n1,down,1,1.005\n1,down,0,0.002\n"; err != nil || string(b) != want {
		t.Errorf("%v:\n%s", err, b)
	}
	for _, c := range []struct{ want, file, name string }{
		{"it is there already", file, "dial"}, {`has no indicator "other"`, file + "2", "other"},
	} {
		if status, _, errs := live("", "--instrument", c.name, "--points", "0,1", "-o", c.file); status != exitNot || !strings.Contains(errs, c.want) {
			t.Errorf("%s: status %d: %s", c.want, status, errs)
		}
	}
	if status, _, errs := live("", "--resume", "1", "-o", file+"2"); status != exitNot || !strings.Contains(errs, "has ended") {
		t.Errorf("resumed after its end: status %d: %s", status, errs)
	}
}

// Without a daemon the command reads the indicator itself: a display on a real
// port, taken by itself, each point in the file at once.
func TestCalibrateLiveAlone(t *testing.T) {
	t.Parallel()
	p, err := virtual.OpenPTY(func([]byte) {})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	display := &shown{at: -0.5, to: -0.5}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	go display.speak(ctx, p)
	dir := t.TempDir()
	bench, file := filepath.Join(dir, "bench.toml"), filepath.Join(dir, "alone.csv")
	text := fmt.Sprintf("[encoder]\nformat = \"marks\"\n[[indicator]]\nname = \"left\"\nport = %q\nbaud = 9600\npattern = '^\\s*(?P<value>[-+]?\\d+\\.\\d+)\\s*(?P<unit>mm|in)?\\s*$'\n[http]\nlisten = \"127.0.0.1:1\"\n", p.Path())
	if err := os.WriteFile(bench, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	said := converse(t, []string{"calibrate", "--live", "--config", bench, "--points", "0,1", "--repeats=-1", "--steady-s", "0.5", "--soak-min", "60", "--temperature-c", "21", "-o", file},
		func(line string) (string, bool) {
			switch {
			case strings.HasPrefix(line, "set the reference to 0.000 mm, the plunger moving in"):
				display.set(0.001)
			case strings.HasPrefix(line, "set the reference to 1.000 mm, the plunger moving in"):
				display.set(1.002)
			case strings.HasPrefix(line, "go back until the display shows 1."):
				display.set(1.3)
			case strings.HasPrefix(line, "set the reference to 1.000 mm, the plunger moving out"):
				display.set(1.004)
			case strings.HasPrefix(line, "set the reference to 0.000 mm, the plunger moving out"):
				display.set(0.003)
			case strings.HasPrefix(line, "all points are taken"):
				return "", true
			}
			return "", false
		})
	b, err := os.ReadFile(file)
	if want := "run,direction,reference_mm,reading_mm\n1,up,0,0.001\n1,up,1,1.002\n1,down,1,1.004\n1,down,0,0.003\n"; err != nil || string(b) != want {
		t.Errorf("%v:\n%s", err, b)
	}
	if want := "alone.csv: 4 points. Next: crownmark calibrate " + file + " --temperature-c 21"; !strings.Contains(said, want) {
		t.Errorf("%q was not said:\n%s", want, said)
	}
}
