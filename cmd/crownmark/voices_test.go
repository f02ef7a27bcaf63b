package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"crownmark/acquire/virtual"
)

// voicesBench is a bench file for instruments that do not just say lines; the
// ports are filled in.
const voicesBench = `[bench]
name = "voices"
data = "voices.db"
[encoder]
port = %q
baud = 115200
%s
eccentricity_u_deg = 0.002
accuracy_u_deg = 0.001
[[indicator]]
name = "left"
port = %q
baud = 115200
%s
[http]
listen = "127.0.0.1:0"
`

// A whole job through the daemon, store and fit, with instruments of other
// formats than lines. The truth is the virtual bench's.
func TestJobsInEveryFormat(t *testing.T) {
	for name, c := range map[string]struct {
		voices             map[string]virtual.Voice
		encoder, indicator string
	}{
		"modbus-rtu, both on one bus": {map[string]virtual.Voice{
			"encoder": {Format: "modbus-rtu", Unit: 2, Function: 4, Register: 16, Type: "int32", LowFirst: true, Scale: 0.25},
			"left":    {Format: "modbus-rtu", Port: "encoder", Unit: 1, Function: 3, Type: "float32", Scale: 1}},
			"frame = '8E1'\nformat = 'modbus-rtu'\nunit_id = 2\nfunction = 4\nregister = 16\ntype = 'int32'\nword_order = 'low-first'\nscale = 0.25\ncounts_per_rev = 7200\ninterval_ms = 10",
			"frame = '8E1'\nformat = 'modbus-rtu'\ntype = 'float32'\ninterval_ms = 10"},
		"own clock, and bcd-frame asked for": {map[string]virtual.Voice{
			"encoder": {Prefix: "X", Clock: &virtual.Clock{StartUS: 1<<32 - 5_000_000, WrapUS: 1 << 32, Drift: 60e-6}},
			"left":    {Format: "bcd-hex", Asked: "\x05R\r"}},
			"pattern = '^X(?P<count>[-+]?\\d+),(?P<time_us>\\d+)$'\ncounts_per_rev = 7200",
			"format = 'bcd-frame'\nencoding = 'hex'\nrequest = '\\x05R\\r'\ninterval_ms = 20"},
		"bcd-frame packed, and 7E1": {map[string]virtual.Voice{
			"encoder": {Parity: 'E', End: "\n"}, "left": {Format: "bcd-packed"}},
			"frame = '7E1'\npattern = '^(?P<count>[-+]?\\d+)$'\ncounts_per_rev = 7200",
			"format = 'bcd-frame'\nencoding = 'packed'"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := voicesDemo(t, c.voices, func(rig *virtual.Rig) string {
				port := rig.IndicatorPort("left")
				return fmt.Sprintf(voicesBench, rig.EncoderPort(), c.encoder, port, c.indicator)
			})
			ctx, end := context.WithCancel(t.Context())
			defer end()
			ran := make(chan error, 1)
			go func() { ran <- d.run(ctx, false) }()
			select {
			case <-d.rig.ScriptDone():
			case err := <-ran:
				t.Fatal(err)
			}
			x, err := d.builder.index(ctx)
			if err != nil {
				t.Fatal(err)
			}
			for i, want := range d.rig.Truth().Cylinders {
				got := x.Cylinders[i]
				if got.IndexErrorDeg == nil || math.Abs(*got.IndexErrorDeg-want.IndexErrorDeg) > 2*value(got.IndexU95Deg)+1e-9 || value(got.IndexU95Deg) > 0.2 {
					t.Errorf("cylinder %d: %s ± %s, truth %g; flags %v", got.Number, degrees(got.IndexErrorDeg, 4), degrees(got.IndexU95Deg, 4), want.IndexErrorDeg, got.Flags)
				}
				t.Logf("cylinder %d: %s ± %s, truth %.4f", got.Number, degrees(got.IndexErrorDeg, 4), degrees(got.IndexU95Deg, 4), want.IndexErrorDeg)
			}
			var export strings.Builder
			if err := d.daemon.store.Export(ctx, 1, &export); err != nil {
				t.Fatal(err)
			}
			if own := strings.Contains(c.encoder, "time_us"); own != givesArrivals(t, export.String()) {
				t.Errorf("arrivals beside times: not %v", own)
			}
			end()
			<-ran
		})
	}
}

// givesArrivals tells whether an export has times of instruments' own clocks.
func givesArrivals(t *testing.T, export string) bool {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(export)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := slices.Index(rows[0], "arrival_s")
	return slices.ContainsFunc(rows[1:], func(row []string) bool { return row[at] != "" })
}

func voicesDemo(t *testing.T, voices map[string]virtual.Voice, file func(*virtual.Rig) string) *demo {
	t.Helper()
	disturb := virtual.DefaultDisturbances()
	disturb.EccentricityUDeg, disturb.AccuracyUDeg = demoEccentricityUDeg, demoAccuracyUDeg
	return twinDemo(t, disturb, voices, func(d *demo) virtual.Script {
		return virtual.Job(virtual.DefaultPlan(), d.builder.hooks())
	}, file)
}

// twinDemo is a daemon on a fast virtual bench with a two-cylinder crank: how its
// instruments speak (nil: as ever), what is done at it, and its bench file.
func twinDemo(t *testing.T, disturb virtual.Disturbances, voices map[string]virtual.Voice, script func(*demo) virtual.Script, file func(*virtual.Rig) string) *demo {
	t.Helper()
	e, err := readEngine("testdata/engines/shed-twin.toml")
	if err != nil {
		t.Fatal(err)
	}
	sent, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	d := &demo{out: io.Discard, builder: &builder{out: io.Discard, engine: sent, selected: map[string]int{}}}
	d.rig, err = virtual.NewRig(virtual.Draw(virtualEngine(e), 4, disturb),
		virtual.RigOptions{Speedup: fastest, Dir: t.TempDir(), Voices: voices, Script: script(d)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.rig.Close() })
	path := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(path, []byte(file(d.rig)), 0o644); err != nil {
		t.Fatal(err)
	}
	b, err := readBench(path)
	if err != nil {
		t.Fatal(err)
	}
	if d.daemon, err = openDaemon(t.Context(), b, daemonOptions{Simulated: true}); err != nil {
		t.Fatal(err)
	}
	d.builder.base = d.daemon.page
	return d
}
