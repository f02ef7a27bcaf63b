package acquire

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"crownmark/acquire/wire"
)

// port is a serial port that is ours alone. It never hands out what is
// underneath: a call on a closed one would go to whatever file has the same
// number then.
//
// Two descriptors stand on the node. The first is for the lock, which also
// holds among processes of one user or of root, and for writing, since it
// never blocks. The second is the serial library's.
//
// One goroutine reads. Everything else may come from any goroutine.
type port struct {
	path    string
	mu      sync.RWMutex // read: a call under way; write: closing
	closing atomic.Bool
	closed  bool
	dev     serial.Port
	lock    int
}

// portSys is what opening asks of the system, so that tests can refuse.
type portSys struct {
	open   func(path string) (fd int, err error)
	serial func(path string, mode *serial.Mode) (serial.Port, error)
	proc   string
}

func defaultPortSys() portSys {
	return portSys{
		open: func(path string) (int, error) {
			return unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
		},
		serial: serial.Open,
		proc:   "/proc",
	}
}

// errPortClosed is what a port says after close.
var errPortClosed = errors.New("port closed")

// openPort opens and locks a port. Reads wait readTimeout at most. The error
// is a *PortError.
func openPort(sys portSys, path string, baud int, shape wire.Serial, readTimeout time.Duration) (*port, error) {
	fd, err := sys.open(path)
	if err != nil {
		return nil, openError(path, sys.proc, err)
	}
	p := &port{path: path, lock: fd}
	if err := p.start(sys, baud, shape, readTimeout); err != nil {
		return nil, errors.Join(err, p.close())
	}
	return p, nil
}

func (p *port) start(sys portSys, baud int, shape wire.Serial, readTimeout time.Duration) error {
	if _, err := unix.IoctlGetTermios(p.lock, unix.TCGETS); err != nil {
		return openError(p.path, sys.proc, err)
	}
	if err := unix.Flock(p.lock, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return openError(p.path, sys.proc, err)
	}
	dev, err := sys.serial(p.path, serialMode(baud, shape))
	if err != nil {
		return p.libraryError(sys, err)
	}
	p.dev = dev
	p.closeOnExec()
	if err := dev.SetReadTimeout(readTimeout); err != nil {
		return portFailed(p.path, "setting its timeout", err)
	}
	if err := dev.ResetInputBuffer(); err != nil { // what waited there would get a wrong time
		return openError(p.path, sys.proc, err)
	}
	return nil
}

// libraryError looks behind the serial library's codes.
func (p *port) libraryError(sys portSys, err error) error {
	var coded *serial.PortError
	if errors.As(err, &coded) {
		switch coded.Code() {
		case serial.PortBusy:
			return portBusy(p.path, sys.proc, err)
		case serial.PermissionDenied:
			return portPermission(p.path, err)
		case serial.PortNotFound:
			return portAbsent(p.path, err)
		case serial.InvalidSerialPort:
			return portNotSerial(p.path, err)
		}
		return portFailed(p.path, "setting its speed and frame", err)
	}
	return openError(p.path, sys.proc, err)
}

// serialMode maps a checked shape. The library's own numbers mean other things:
// its stop bits of 1 are one and a half.
func serialMode(baud int, shape wire.Serial) *serial.Mode {
	m := &serial.Mode{BaudRate: baud, DataBits: shape.DataBits, Parity: serial.NoParity, StopBits: serial.OneStopBit}
	switch shape.Parity {
	case wire.ParityEven:
		m.Parity = serial.EvenParity
	case wire.ParityOdd:
		m.Parity = serial.OddParity
	}
	if shape.StopBits == 2 {
		m.StopBits = serial.TwoStopBits
	}
	return m
}

// closeOnExec keeps the library's descriptor out of programs that this one
// may start. A number that went elsewhere meanwhile takes no harm.
func (p *port) closeOnExec() {
	node, err := filepath.EvalSymlinks(p.path)
	if err != nil {
		return
	}
	fds, _ := os.ReadDir("/proc/self/fd")
	for _, fd := range fds {
		if target, err := os.Readlink("/proc/self/fd/" + fd.Name()); err == nil && target == node {
			if n, err := strconv.Atoi(fd.Name()); err == nil {
				unix.CloseOnExec(n)
			}
		}
	}
}

// read waits for bytes, the read timeout at most: (0, nil) means that none
// came. Any error is final.
func (p *port) read(b []byte) (n int, err error) {
	p.mu.RLock()
	defer p.mu.RUnlock()
	defer func() { // the library panics on descriptors beyond 1023
		if r := recover(); r != nil {
			n, err = 0, portFailed(p.path, "reading", fmt.Errorf("%v", r))
		}
	}()
	if p.closing.Load() || len(b) == 0 {
		return 0, errPortClosed
	}
	if n, err = p.dev.Read(b); err == nil {
		return n, nil
	}
	if p.closing.Load() {
		return 0, errPortClosed
	}
	return 0, portLost(p.path, err) // unplugging and closing look alike to the library
}

// patience is how long reads wait from now on; for the reading goroutine.
func (p *port) patience(d time.Duration) error {
	p.mu.RLock()
	defer p.mu.RUnlock()
	if p.closing.Load() {
		return errPortClosed
	}
	if err := p.dev.SetReadTimeout(d); err != nil {
		return portFailed(p.path, "setting its timeout", err)
	}
	return nil
}

// retune sets another speed and frame; what came before is dropped. The port
// stays open, so that a device which starts anew at each opening does so once.
func (p *port) retune(baud int, shape wire.Serial) error {
	p.mu.RLock()
	defer p.mu.RUnlock()
	if p.closing.Load() {
		return errPortClosed
	}
	if err := p.dev.SetMode(serialMode(baud, shape)); err != nil {
		return portFailed(p.path, "setting its speed and frame", err)
	}
	if err := p.dev.ResetInputBuffer(); err != nil {
		return portLost(p.path, err)
	}
	return nil
}

// write sends a short request; it never waits.
func (p *port) write(b []byte) error {
	p.mu.RLock()
	defer p.mu.RUnlock()
	if p.closing.Load() {
		return errPortClosed
	}
	n, err := unix.Write(p.lock, b)
	switch {
	case errors.Is(err, unix.EAGAIN):
		return nil // nobody takes the bytes; that no answer comes is noticed elsewhere
	case err != nil:
		return portLost(p.path, err)
	case n != len(b):
		return portFailed(p.path, "asking", fmt.Errorf("%d of %d bytes went out", n, len(b)))
	}
	return nil
}

// close frees the node. It waits for a read under way, the read timeout at most.
func (p *port) close() error {
	p.closing.Store(true)
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil
	}
	p.closed = true
	var err error
	if p.dev != nil {
		// what an adapter that hangs has not taken would hold closing up for half a minute
		_ = unix.IoctlSetInt(p.lock, unix.TCFLSH, unix.TCOFLUSH)
		err = p.dev.Close()
	}
	return errors.Join(err, unix.Close(p.lock))
}
