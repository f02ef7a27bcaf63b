package wire

import "fmt"

// Parity is how a character's check bit is made.
type Parity byte

const (
	ParityNone Parity = 'N'
	ParityEven Parity = 'E'
	ParityOdd  Parity = 'O'
)

// Serial is a serial character's shape: "8N1" is 8 data bits, no parity bit,
// 1 stop bit.
type Serial struct {
	DataBits int // 7 or 8
	Parity   Parity
	StopBits int // 1 or 2
}

// ParseSerial reads "8N1", "7E1", "7E2", "8E1", "7O1" and their like: 7 or 8
// data bits, N, E or O, 1 or 2 stop bits.
func ParseSerial(s string) (Serial, error) {
	bad := fmt.Errorf("frame %q is none: write data bits 7 or 8, parity N, E or O, stop bits 1 or 2, as in \"8N1\"", s)
	if len(s) != 3 {
		return Serial{}, bad
	}
	f := Serial{DataBits: int(s[0] - '0'), Parity: Parity(s[1]), StopBits: int(s[2] - '0')}
	if f.DataBits != 7 && f.DataBits != 8 || f.StopBits != 1 && f.StopBits != 2 {
		return Serial{}, bad
	}
	if f.Parity != ParityNone && f.Parity != ParityEven && f.Parity != ParityOdd {
		return Serial{}, bad
	}
	return f, nil
}

// String is the form ParseSerial reads.
func (s Serial) String() string { return fmt.Sprintf("%d%c%d", s.DataBits, s.Parity, s.StopBits) }

// mask takes the parity bit off where a character has seven data bits: some
// adapters and every pseudo-terminal hand it on as the eighth.
func (s Serial) mask() byte {
	if s.DataBits == 7 {
		return 0x7f
	}
	return 0xff
}
