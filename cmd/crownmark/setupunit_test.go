package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
)

func TestSetupWithoutAnswers(t *testing.T) {
	p, err := virtual.OpenPTY(func([]byte) {})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	out := filepath.Join(t.TempDir(), "bench.toml")
	var stdout, stderr bytes.Buffer
	status := Run(t.Context(), []string{"setup", "--each", "100ms", "--out", out, p.Path()}, strings.NewReader(""), &stdout, &stderr)
	if want := "crownmark: setup asks and nobody answers: run it on a terminal, or with --yes\n"; status != exitNot || stderr.String() != want {
		t.Errorf("status %d, %q, want %q", status, stderr.String(), want)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a file was written all the same")
	}
}

// speaking is a port on which a line comes each few milliseconds.
func speaking(t *testing.T, line string) *virtual.PTY {
	t.Helper()
	p, err := virtual.OpenPTY(func([]byte) {})
	if err != nil {
		t.Fatal(err)
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
				if p.Write([]byte(line)) != nil {
					return
				}
			}
		}
	}()
	t.Cleanup(func() { close(stop); <-stopped; _ = p.Close() })
	return p
}

// A port that goes away while setup watches ends it, and it says so; a folder
// that cannot be written into is told before anybody took pains; a port named
// twice is listened on once.
func TestSetupEndsEarly(t *testing.T) {
	encoder, left := speaking(t, "1234\r\n"), speaking(t, "+0001.250 mm\r\n")
	out := filepath.Join(t.TempDir(), "bench.toml")
	var stdout, stderr bytes.Buffer
	args := []string{"setup", "--counts-per-rev", "7200", "--each", "300ms", "--out"}
	status := Run(t.Context(), append(args, filepath.Join(out, "no", "where.toml"), encoder.Path()), strings.NewReader(""), &stdout, &stderr)
	if status != exitNot || !strings.Contains(stderr.String(), "where.toml: cannot be written: ") || stdout.Len() > 0 {
		t.Errorf("status %d, %q, %q", status, stderr.String(), stdout.String())
	}
	stderr.Reset()
	in, answers := io.Pipe()
	said, saying := io.Pipe()
	done := make(chan struct{})
	var shown strings.Builder
	go func() {
		defer close(done)
		for lines := bufio.NewScanner(said); lines.Scan(); {
			fmt.Fprintln(&shown, lines.Text())
			if strings.HasPrefix(lines.Text(), "Push the plunger") {
				_ = encoder.Close()
				time.Sleep(500 * time.Millisecond)
				fmt.Fprintln(answers)
			}
		}
	}()
	status = Run(t.Context(), append(args, out, encoder.Path(), encoder.Path(), left.Path()), in, saying, &stderr)
	saying.Close()
	in.Close()
	<-done
	if want := "crownmark: port " + encoder.Path() + " went away; see that it is plugged in, and start setup again\n"; status != exitNot || stderr.String() != want {
		t.Errorf("status %d, %q, want %q", status, stderr.String(), want)
	}
	if !strings.HasPrefix(shown.String(), "Listening on 2 ports") {
		t.Errorf("it said %s", shown.String())
	}
}

func TestKeepFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.toml")
	for _, c := range []struct {
		text    string
		replace bool
		kept    string
	}{{"one", false, "one"}, {"two", false, "one"}, {"three", true, "three"}} {
		err := keepFile(path, c.text, c.replace)
		if (err == nil) != (c.text == c.kept) {
			t.Errorf("%s: %v", c.text, err)
		}
		if got, err := os.ReadFile(path); string(got) != c.kept {
			t.Errorf("after %s: %q, %v", c.text, got, err)
		}
	}
	if left, err := os.ReadDir(filepath.Dir(path)); len(left) != 1 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if err := keepFile(filepath.Join(path, "no", "where.toml"), "x", true); err == nil {
		t.Error("written to where no folder is")
	}
}

// What moves decides, where the dress of readings could be either's.
func TestBecome(t *testing.T) {
	line := func(kind acquire.Kind, pattern string) *setupInstrument {
		return &setupInstrument{Found: acquire.Found{Kind: kind, Config: acquire.InstrumentConfig{Kind: kind, Format: "line", Pattern: pattern}}}
	}
	angle := line(acquire.KindIndicator, `^(?P<value>[\d.]+)$`)
	if err := angle.become(acquire.KindEncoder); err != nil || angle.Config.Pattern != `^(?P<degrees>[\d.]+)$` || !angle.tellsDegrees() {
		t.Errorf("decimals that turn with the crank: %+v, %v", angle.Config, err)
	}
	if err := line(acquire.KindEncoder, `^(?P<count>\d+)$`).become(acquire.KindIndicator); err == nil {
		t.Error("whole numbers without a unit were taken for a length")
	}
	register := &setupInstrument{Found: acquire.Found{Config: acquire.InstrumentConfig{Format: "modbus-rtu", Type: "int32", Scale: 1}}}
	if err := register.become(acquire.KindIndicator); err != nil || register.Config.Scale != 0.001 {
		t.Errorf("a register that moves with the plunger: %+v, %v", register.Config, err)
	}
}

func TestBenchFileQuotes(t *testing.T) {
	for _, request := range []string{"R\r", "\x05", `a"b\'`, "\xff\x00"} {
		text := "request = " + quoted(escaped(request))
		b, problems := parseBench("x", []byte("[encoder]\n"+text))
		got, err := unescape(b.Encoder.Request)
		if got != request || err != nil {
			t.Errorf("%q became %s, read as %q, %v, %v", request, text, got, err, problems)
		}
	}
}
