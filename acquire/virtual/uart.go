package virtual

import (
	"math/bits"

	"golang.org/x/sys/unix"
)

// Shape is how an instrument's port is set: 9600, 8, 'N', 1.
type Shape struct {
	Baud     int
	DataBits int
	Parity   byte // 'N', 'E' or 'O'
	StopBits int
}

// shapeOf is how a reader has set the slave side, as far as a pseudo-terminal
// keeps it: the speed, and of the parity that it is checked and whether it is
// odd. The number of data bits is lost; it is taken to be the other side's.
func shapeOf(slave int, other Shape) (Shape, bool) {
	t, err := unix.IoctlGetTermios(slave, unix.TCGETS2)
	if err != nil {
		return Shape{}, false
	}
	s := Shape{Baud: int(t.Ospeed), DataBits: other.DataBits, Parity: 'N', StopBits: 1}
	switch {
	case t.Iflag&unix.INPCK == 0:
		s.DataBits = 8
	case t.Cflag&unix.PARODD != 0:
		s.Parity = 'O'
	default:
		s.Parity = 'E'
	}
	return s, true
}

// levels is the line's level, bit by bit: a start bit, data from the low end,
// parity, stop bits.
func (s Shape) levels(b []byte) (out []bool) {
	for _, c := range b {
		out = append(out, false)
		for i := range s.DataBits {
			out = append(out, c>>i&1 == 1)
		}
		if odd := bits.OnesCount8(c&(1<<s.DataBits-1))%2 == 1; s.Parity != 'N' {
			out = append(out, odd != (s.Parity == 'O'))
		}
		for range s.StopBits {
			out = append(out, true)
		}
	}
	return out
}

// receive is what a receiver set to s makes of what a sender set to from says
// in one go: it waits for a start bit's edge and looks at the middle of each
// bit of its own. A character with a wrong parity or stop bit is read as NUL
// where parity is checked, and as it looks where it is not, as the kernel does.
func (s Shape) receive(b []byte, from Shape) (out []byte) {
	line := from.levels(b)
	at := func(t float64) bool { // in the receiver's bits
		i := int(t * float64(from.Baud) / float64(s.Baud))
		return i >= len(line) || line[i]
	}
	end := float64(len(line)) * float64(s.Baud) / float64(from.Baud)
	step := min(1, float64(s.Baud)/float64(from.Baud)) / 4
	for t := 0.0; t < end; t += step {
		if at(t) || at(t+0.5) {
			continue // idle, or too short for a start bit
		}
		c, wrong := s.character(func(bit int) bool { return at(t + 0.5 + float64(bit)) })
		if wrong && s.Parity != 'N' {
			c = 0
		}
		out = append(out, c)
		for t += float64(s.length()) - 0.5; t < end && !at(t); { // until the line is idle again
			t += step
		}
	}
	return out
}

// length is a character's bits, one stop bit counted.
func (s Shape) length() int {
	if s.Parity == 'N' {
		return s.DataBits + 2
	}
	return s.DataBits + 3
}

func (s Shape) character(level func(bit int) bool) (c byte, wrong bool) {
	ones := 0
	for i := range s.DataBits {
		if level(1 + i) {
			c |= 1 << i
			ones++
		}
	}
	if s.Parity != 'N' {
		if level(1 + s.DataBits) {
			ones++
		}
		wrong = ones%2 == 1 != (s.Parity == 'O')
	}
	return c, wrong || !level(s.length()-1)
}
