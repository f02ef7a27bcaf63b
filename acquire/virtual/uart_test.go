package virtual

import "testing"

func TestReceive(t *testing.T) {
	n, e, o := Shape{9600, 8, 'N', 1}, Shape{9600, 7, 'E', 1}, Shape{9600, 7, 'O', 2}
	for _, c := range []struct {
		name     string
		from, to Shape
		said     string
		want     string
	}{
		{"alike", n, n, "+1.5\r\n", "+1.5\r\n"},
		{"8E1 alike", Shape{19200, 8, 'E', 1}, Shape{19200, 8, 'E', 1}, "\x01\x03\x00\xff", "\x01\x03\x00\xff"},
		{"7E1 read as 8N1: the eighth bit is the parity", e, n, "157\r", "\xb1\x35\xb7\x8d"}, // by hand
		{"7O2 read as 8N1", o, n, "05", "\xb0\xb5"},
		{"8E1 read as 8N1: the parity bit stands where the stop bit should", Shape{9600, 8, 'E', 1}, n, "157\r\n", "157\r\n"},
		{"7E1 read as 7O1: every parity is wrong", e, Shape{9600, 7, 'O', 1}, "157", "\x00\x00\x00"},
	} {
		got := string(c.to.receive([]byte(c.said), c.from))
		if got != c.want {
			t.Errorf("%s: heard %q, want %q", c.name, got, c.want)
		}
	}
	for _, baud := range []int{1200, 4800, 19200, 115200} { // none of the usual speeds is taken for another
		if got := string((Shape{baud, 8, 'N', 1}).receive([]byte("+0012.345 mm\r\n-12\r\n"), n)); got == "+0012.345 mm\r\n-12\r\n" {
			t.Errorf("%d hears what was said at 9600", baud)
		}
	}
}
