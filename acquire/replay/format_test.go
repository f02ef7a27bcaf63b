package replay

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
)

const sample = `crownmark capture 1
# for people
simulated
port encoder 115200 8N1
port left 9600 7E1
0.000512 encoder < "-1234\r\n"
0.5 left > "R\r"
1.500000001 left < "+0\x80\x00\"5"
1.500000001 encoder - the port went away
2.25 encoder + it is open
`

func TestCaptureIsReadAsWritten(t *testing.T) {
	want := Capture{Simulated: true, Ports: []Port{{"encoder", 115200, "8N1"}, {"left", 9600, "7E1"}}, Events: []Event{
		{512000, 0, Came, []byte("-1234\r\n")}, {5e8, 1, Sent, []byte("R\r")}, {1500000001, 1, Came, []byte("+0\x80\x00\"5")},
		{1500000001, 0, Gone, nil}, {2.25e9, 0, Back, nil}}}
	got, err := Read(strings.NewReader(sample))
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Fatalf("read  %+v, %v\nwant %+v", got, err, want)
	}
	if again := rewritten(t, got); !reflect.DeepEqual(again, want) {
		t.Errorf("written and read again: %+v", again)
	}
}

func rewritten(t *testing.T, c Capture) Capture {
	t.Helper()
	var b bytes.Buffer
	w, err := NewWriter(&b, c.Simulated, []string{"a note"}, c.Ports)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range c.Events {
		if err := w.Write(e); err != nil {
			t.Fatal(err)
		}
	}
	again, err := Read(&b)
	if err != nil {
		t.Fatalf("what was written cannot be read: %v", err)
	}
	return again
}

func TestBadCaptures(t *testing.T) {
	const head = "crownmark capture 1\nport a 9600 8N1\n"
	const cut = "; it is the last line: if the capture was cut short there, delete it"
	for text, want := range map[string]string{
		"":                                `it is empty: a capture begins with "crownmark capture 1"`,
		"sweep,cylinder\n":                `line 1: this is no capture: it should begin with "crownmark capture 1"`,
		"crownmark capture 1\n":           `there is no port in it: a capture names its ports, "port left 9600 8N1"`,
		head + "port a 9600 8N1\n":        `line 3: port "a 9600 8N1": write name, speed and frame, each name once, as in "port left 9600 8N1"`,
		head + "port b fast 8N1\n":        `line 3: port b: "fast" is no speed`,
		head + `soon a < "1\r\n"`:         `line 3: "soon" is no time: write seconds, as in 12.345678`,
		head + `-1 a < "1\r\n"`:           `line 3: "-1" is no time: write seconds, as in 12.345678`,
		head + `0.1234567890 a < "1\r\n"`: `line 3: "0.1234567890" is no time: write seconds, as in 12.345678`,
		head + `1 b < "1\r\n"`:            `line 3: port "b" was not named at the top`,
		head + `1 a`:                      `line 3: what happened is missing: write < > - or + after the port's name` + cut,
		head + "1":                        `line 3: what happened is missing: write < > - or + after the port's name` + cut,
		head + "1 a <\n2 a -":             `line 3: bytes are missing: write them in quotes, as in "+1.250\r\n"`,
		head + "port ../../x 9600 8N1\n":  `line 3: port name "../../x": write letters, digits, points, dashes and underscores, 64 at most, no point first`,
		head + "port .. 9600 8N1\n":       `line 3: port name "..": write letters, digits, points, dashes and underscores, 64 at most, no point first`,
		head + "port b 9600 9X9\n":        `line 3: port b: frame "9X9" is none: write data bits 7 or 8, parity N, E or O, stop bits 1 or 2, as in "8N1"`,
		head + strings.Repeat("x", 1<<20): `line 3: longer than 1048576 bytes: no capture has such lines`,
		head + `1 a = "1"`:                `line 3: what happened is missing: write < > - or + after the port's name` + cut,
		head + `1 a < 1`:                  `line 3: bytes are missing: write them in quotes, as in "+1.250\r\n"` + cut,
		head + `1 a < ""`:                 `line 3: bytes are missing: write them in quotes, as in "+1.250\r\n"` + cut,
		head + "2 a +\n1 a -":             `line 4: time 1 is before the line above; put the lines in order`,
	} {
		if _, err := Read(strings.NewReader(text)); err == nil || err.Error() != want {
			t.Errorf("%q:\n got  %v\n want %s", text, err, want)
		}
	}
	if _, err := NewWriter(&bytes.Buffer{}, false, nil, []Port{{"two words", 9600, "8N1"}}); err == nil {
		t.Error("a name with a blank was taken")
	}
}

// Whatever an instrument is called, its port can be named in a capture.
func TestNameOf(t *testing.T) {
	for name, want := range map[string]string{"left": "left", "left side": "left-side", "../x": "port..-x", "": "port", "#1 \"a\"": "-1--a-", "größe": "größe", strings.Repeat("é", 70): strings.Repeat("é", 48)} {
		if got := NameOf(name); got != want || !portName.MatchString(got) {
			t.Errorf("%q became %q, want %q", name, got, want)
		}
	}
}

// FuzzRead: whatever is read is the same after it was written again.
func FuzzRead(f *testing.F) {
	f.Add(sample)
	f.Fuzz(func(t *testing.T, text string) {
		c, err := Read(strings.NewReader(text))
		if err != nil {
			return
		}
		if again := rewritten(t, c); !reflect.DeepEqual(again, c) {
			t.Errorf("read %+v, written and read again %+v", c, again)
		}
	})
}
