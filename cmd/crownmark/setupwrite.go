package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"crownmark/acquire"
	"crownmark/acquire/wire"
)

// write makes the bench file and sees that it is good before it is kept.
func (s *setup) write() error {
	text := s.file()
	if _, problems := parseBench(s.Out, []byte(text)); len(problems) > 0 {
		return fmt.Errorf("the bench file would not pass its check; please report this: %w", problems.Err())
	}
	if err := keepFile(s.Out, text, s.Overwrite); err != nil {
		return err
	}
	s.talk.say("%s: written. Read its comments; then: crownmark check %s, and crownmark run --config %s", s.Out, s.Out, s.Out)
	return nil
}

// canWriteBeside sees whether a file can be made in the folder of path.
func canWriteBeside(path string) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".bench-*.toml")
	if err == nil {
		err = errors.Join(f.Close(), os.Remove(f.Name()))
	}
	var where *os.PathError
	if errors.As(err, &where) {
		err = where.Err // its text names a file that nobody asked for
	}
	if err != nil {
		return cannotWrite(path, err)
	}
	return nil
}

// keepFile never leaves half a file, and replaces one only when told.
func keepFile(path, text string, replace bool) error {
	if !replace {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, os.ErrExist) {
			return fmt.Errorf("%s: it is there already; name another file with --out, or say --overwrite", path)
		} else if err != nil {
			return cannotWrite(path, err)
		}
		if _, err = f.WriteString(text); errors.Join(err, f.Close()) != nil {
			return errors.Join(cannotWrite(path, err), os.Remove(path))
		}
		return nil
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".bench-*.toml")
	if err != nil {
		return cannotWrite(path, err)
	}
	_, err = f.WriteString(text)
	if err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(cannotWrite(path, err), os.Remove(f.Name()))
	}
	return nil
}

// file is the bench file with comments.
func (s *setup) file() string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Written by %s setup from what it heard. A # begins a comment.\n\n", software())
	fmt.Fprintf(&b, "[bench]\nname = \"bench\"           # as you call it\ndata = \"crownmark.db\"    # where readings are kept, beside this file\n")
	for _, i := range s.all {
		if i.Kind == acquire.KindEncoder {
			b.WriteString("\n[encoder]\n" + i.talk() + i.encoder())
		}
	}
	for _, i := range s.all {
		if i.Kind == acquire.KindIndicator {
			fmt.Fprintf(&b, "\n[[indicator]]\nname = %s\n%s%s", quoted(i.Config.Name), i.talk(), i.indicator())
		}
	}
	b.WriteString(`
[alignment]
lash_deg = 0.0            # free play between crank and encoder, and its standard uncertainty
lash_u_deg = 0.2

[http]
listen = "` + defaultListen + `" # this machine only
`)
	return b.String()
}

// talk is how an instrument is reached and read.
func (i *setupInstrument) talk() string {
	var b strings.Builder
	c := i.Config
	fmt.Fprintf(&b, "# heard: %s\n", commented(rowOfFound(i.Found).words()))
	if filepath.Dir(c.Port) == "/dev" {
		b.WriteString("# this port has no stable name: another number may come when it is plugged in again\n")
	}
	fmt.Fprintf(&b, "port = %s\nbaud = %d\nframe = %s", quoted(c.Port), c.Baud, quoted(c.Frame))
	switch {
	case c.Frame == "7E1" || c.Frame == "7O1":
		b.WriteString("             # a second stop bit cannot be heard and does not matter")
	case c.Format != wire.FormatModbus: // that was asked in this frame
		b.WriteString("             # parity could not be told apart: write 8E1 or 8O1 if its manual says so")
	}
	fmt.Fprintf(&b, "\nformat = %s\n", quoted(c.Format))
	switch c.Format {
	case wire.FormatLine:
		fmt.Fprintf(&b, "pattern = '%s'\n", c.Pattern)
	case wire.FormatBCD:
		fmt.Fprintf(&b, "encoding = %s\n", quoted(c.Encoding))
	case wire.FormatModbus:
		fmt.Fprintf(&b, "unit_id = %d\nfunction = %d\nregister = %d             # the first that answered: compare what is read with the display\n", c.UnitID, c.Function, c.Register)
		fmt.Fprintf(&b, "type = %s           # guessed from %s, as are word_order and scale\nword_order = %s\nscale = %g                # register × scale = mm, or counts\n",
			quoted(c.Type), i.Last, quoted(c.WordOrder), c.Scale)
	}
	if c.Request != "" {
		fmt.Fprintf(&b, "request = %s          # asks for a reading\n", quoted(escaped(c.Request)))
	}
	if c.Request != "" || c.Format == wire.FormatModbus {
		fmt.Fprintf(&b, "interval_ms = %d         # how often to ask\n", c.IntervalMS)
	}
	return b.String()
}

func (i *setupInstrument) encoder() string {
	c := i.Config
	why := "as you said"
	switch {
	case i.tellsDegrees():
		why = "it tells degrees"
	case i.measured:
		why = "as one turn by hand gave: write the exact number"
	}
	return fmt.Sprintf("counts_per_rev = %s     # for one turn of the crank, %s\ndirection = %d             # %s; confirmed again at each job\n", strconv.FormatFloat(c.CountsPerRev, 'f', -1, 64), why, c.Direction, i.sure("the crank was turned in running direction")) +
		"# eccentricity_u_deg = 0.05  # how truly it is mounted; while it is left out, the doubt does not hold it\n# accuracy_u_deg = 0.02\n"
}

func (i *setupInstrument) indicator() string {
	c := i.Config
	s := fmt.Sprintf("direction = %d             # %s: heights grow as the plunger goes in\n", c.Direction, i.sure("the plunger was pushed in"))
	if c.Format == wire.FormatLine {
		s = fmt.Sprintf("unit = %s              # where a line names none\n", quoted(c.Unit)) + s
	}
	if i.ResolutionMM > 0 && c.Format != wire.FormatModbus {
		s += fmt.Sprintf("resolution_mm = %s     # the last digit seen\n", strconv.FormatFloat(i.ResolutionMM, 'g', 6, 64))
	}
	return s + "# latency_ms = 0.0          # its delay against the encoder, if known beforehand; the sweeps sharpen it\n"
}

// sure tells where a direction is from.
func (i *setupInstrument) sure(seen string) string {
	if i.confirmed {
		return "seen when " + seen
	}
	return "NOT CONFIRMED: nothing was moved; write -1 if it goes the other way"
}

// quoted is a TOML string.
func quoted(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}

// escaped writes bytes with Go escapes.
func escaped(s string) string {
	q := strconv.QuoteToASCII(s)
	return strings.ReplaceAll(q[1:len(q)-1], `\"`, `"`)
}

// commented keeps a text on its line.
func commented(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, s)
}
