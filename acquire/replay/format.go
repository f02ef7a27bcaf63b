// Package replay keeps what instruments said, byte for byte and with its
// times, in a file that people can read, and says it again on
// pseudo-terminals.
//
// The file is text, in UTF-8 (a Writer makes it ASCII). It begins with a line
// that names it and what the ports were; then comes what happened, a line
// each, in order of time:
//
//	crownmark capture 1
//	# said by a virtual bench: anything after a # is for people
//	simulated
//	port encoder 115200 8N1
//	port left 9600 7E1
//	0.000512 encoder < "-1234\r\n"
//	0.013000 left < "+0012.34"
//	0.014250 left < "5 mm\r\n"
//	0.200000 left > "R\r"
//	1.500000 encoder - the port went away
//	2.250000 encoder + it is open again
//
// Times are seconds since the first line, to the nanosecond at most, never
// falling. What follows < came from the instrument in one read, stamped when
// that read returned; what follows > was sent to it. Bytes stand in Go's
// quotes: \r, \x05, \" and so on. Names of ports are letters, digits, points,
// dashes and underscores, since files are named by them.
package replay

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"crownmark/acquire/wire"
)

const title = "crownmark capture 1"

// Port is one port of a capture.
type Port struct {
	Name  string
	Baud  int
	Frame string // "8N1"
}

// Kind is what an event was.
type Kind byte

const (
	Came Kind = '<' // bytes from the instrument
	Sent Kind = '>' // bytes to the instrument
	Gone Kind = '-' // the port went away
	Back Kind = '+' // the port is open (again)
)

// Event is one thing that happened on a port.
type Event struct {
	AtNS  int64 // since the capture began
	Port  int   // place among the capture's ports
	Kind  Kind
	Bytes []byte // of Came and Sent
}

// Capture is a whole file.
type Capture struct {
	Simulated bool // the instruments were no real ones
	Ports     []Port
	Events    []Event
}

// Writer writes a capture as it happens.
type Writer struct {
	to    *bufio.Writer
	ports []Port
	last  int64
}

// NewWriter writes the head of a capture. Notes are for people, a line each.
func NewWriter(to io.Writer, simulated bool, notes []string, ports []Port) (*Writer, error) {
	w := &Writer{to: bufio.NewWriter(to), ports: ports}
	fmt.Fprintln(w.to, title)
	for _, n := range notes {
		fmt.Fprintln(w.to, "#", n)
	}
	if simulated {
		fmt.Fprintln(w.to, "simulated")
	}
	for _, p := range ports {
		if !portName.MatchString(p.Name) {
			return nil, wrongName(p.Name)
		}
		fmt.Fprintln(w.to, "port", p.Name, p.Baud, p.Frame)
	}
	return w, w.to.Flush()
}

var portName = regexp.MustCompile(`^[\pL\pN_-][\pL\pN._-]{0,63}$`)

// NameOf makes an instrument's name one that a port may have.
func NameOf(instrument string) string {
	name := []rune(strings.Map(func(r rune) rune {
		if portName.MatchString("x" + string(r)) {
			return r
		}
		return '-'
	}, instrument))
	if name = name[:min(len(name), 48)]; len(name) == 0 || name[0] == '.' {
		name = append([]rune("port"), name...)
	}
	return string(name)
}

func wrongName(name string) error {
	return fmt.Errorf("port name %q: write letters, digits, points, dashes and underscores, 64 at most, no point first", name)
}

// Write writes one event through to the file. Events of several ports may come
// a little out of order; their times are then held to what was written.
func (w *Writer) Write(e Event) error {
	w.last = max(w.last, e.AtNS)
	fmt.Fprintf(w.to, "%d.%09d %s %c", w.last/1e9, w.last%1e9, w.ports[e.Port].Name, e.Kind)
	switch e.Kind {
	case Came, Sent:
		fmt.Fprintf(w.to, " %s\n", strconv.QuoteToASCII(string(e.Bytes)))
	case Gone:
		fmt.Fprintln(w.to, " the port went away")
	default:
		fmt.Fprintln(w.to, " it is open")
	}
	return w.to.Flush()
}

const longestLine = 1 << 20

// Read reads a whole capture. The error says in which line what is wrong.
func Read(from io.Reader) (Capture, error) {
	var c Capture
	lines := bufio.NewScanner(from)
	lines.Buffer(nil, longestLine)
	n := 0
	for lines.Scan() {
		if n++; n == 1 {
			if lines.Text() != title {
				return c, fmt.Errorf("line 1: this is no capture: it should begin with %q", title)
			}
			continue
		}
		if err := c.line(strings.TrimSpace(lines.Text())); err != nil {
			if (errors.Is(err, errNoKind) || errors.Is(err, errNoBytes)) && !lines.Scan() {
				err = fmt.Errorf("%w; it is the last line: if the capture was cut short there, delete it", err)
			}
			return c, fmt.Errorf("line %d: %w", n, err)
		}
	}
	switch err := lines.Err(); {
	case errors.Is(err, bufio.ErrTooLong):
		return c, fmt.Errorf("line %d: longer than %d bytes: no capture has such lines", n+1, longestLine)
	case err != nil:
		return c, fmt.Errorf("line %d: %w", n+1, err)
	case n == 0:
		return c, fmt.Errorf("it is empty: a capture begins with %q", title)
	}
	if len(c.Ports) == 0 {
		return c, errors.New("there is no port in it: a capture names its ports, \"port left 9600 8N1\"")
	}
	return c, nil
}

func (c *Capture) line(text string) error {
	word, rest, _ := strings.Cut(text, " ")
	switch {
	case text == "" || text[0] == '#':
		return nil
	case text == "simulated":
		c.Simulated = true
		return nil
	case word == "port":
		return c.port(rest)
	}
	e, err := c.event(word, rest)
	if err == nil {
		c.Events = append(c.Events, e)
	}
	return err
}

func (c *Capture) port(text string) error {
	f := strings.Fields(text)
	if len(f) != 3 || c.place(f[0]) >= 0 {
		return fmt.Errorf("port %q: write name, speed and frame, each name once, as in \"port left 9600 8N1\"", text)
	}
	if !portName.MatchString(f[0]) {
		return wrongName(f[0])
	}
	if _, err := wire.ParseSerial(f[2]); err != nil {
		return fmt.Errorf("port %s: %w", f[0], err)
	}
	baud, err := strconv.Atoi(f[1])
	if err != nil || baud <= 0 {
		return fmt.Errorf("port %s: %q is no speed", f[0], f[1])
	}
	c.Ports = append(c.Ports, Port{f[0], baud, f[2]})
	return nil
}

func (c *Capture) place(name string) int {
	for i, p := range c.Ports {
		if p.Name == name {
			return i
		}
	}
	return -1
}

// What a line may lack, too, at which a capture was cut short.
var (
	errNoKind  = errors.New("what happened is missing: write < > - or + after the port's name")
	errNoBytes = errors.New(`bytes are missing: write them in quotes, as in "+1.250\r\n"`)
)

func (c *Capture) event(time, rest string) (e Event, err error) {
	if e.AtNS, err = nanoseconds(time); err != nil {
		return e, err
	}
	if n := len(c.Events); n > 0 && e.AtNS < c.Events[n-1].AtNS {
		return e, fmt.Errorf("time %s is before the line above; put the lines in order", time)
	}
	f := strings.SplitN(rest, " ", 3)
	if f[0] == "" {
		return e, errNoKind
	}
	if e.Port = c.place(f[0]); e.Port < 0 {
		return e, fmt.Errorf("port %q was not named at the top", f[0])
	}
	if len(f) < 2 || len(f[1]) != 1 || !strings.Contains("<>-+", f[1]) {
		return e, errNoKind
	}
	e.Kind = Kind(f[1][0])
	if e.Kind == Gone || e.Kind == Back {
		return e, nil
	}
	text := ""
	if len(f) == 3 {
		text, err = strconv.Unquote(f[2])
	}
	if err != nil || text == "" {
		return e, errNoBytes
	}
	e.Bytes = []byte(text)
	return e, nil
}

// nanoseconds reads seconds with at most nine decimals, exactly.
func nanoseconds(text string) (int64, error) {
	whole, part, _ := strings.Cut(text, ".")
	s, err := strconv.ParseUint(whole, 10, 33)
	if err == nil && part != "" {
		if len(part) > 9 {
			err = errors.New("too many decimals")
		} else {
			var ns uint64
			ns, err = strconv.ParseUint(part+strings.Repeat("0", 9-len(part)), 10, 32)
			return int64(s)*1e9 + int64(ns), wrong(text, err)
		}
	}
	return int64(s) * 1e9, wrong(text, err)
}

func wrong(text string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%q is no time: write seconds, as in 12.345678", text)
}
