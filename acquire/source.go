package acquire

import "context"

// Source is one port with the instruments that share it. One goroutine owns
// it: Open, Read until an error, Close; then Open again, as often as needed.
type Source interface {
	// Open makes the port ready. A *PortError says why it could not.
	Open(ctx context.Context) error
	// Read waits a fifth of a second at most. Nothing heard and no error means
	// that nothing came in that time. After an error only Close is of use.
	Read() (Heard, error)
	// Close frees the port. It is safe to call twice and without Open.
	Close() error
	// Node names what stands at the port's path now: "" for nothing, another
	// text after the device went and came back.
	Node() string
	// Identity is what the system says of the device, "" if nothing.
	Identity() string
}

// Heard is what one Read brought. The slices belong to the caller.
type Heard struct {
	Readings []Reading // Stream is the instrument's place in the list its Source was made from; Seq is 0
	Faults   []Fault
	Bytes    int
}

// Fault is bytes that gave no reading.
type Fault struct {
	Instrument int // place in the list; -1: cannot be told, so all of them
	Reason     UnusedReason
	AtNS       int64
	N          int64
	Raw        []byte // the first of them
	Cause      string // what is wrong with them, where the format can tell
}
