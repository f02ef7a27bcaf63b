package virtual

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// PTY is a pseudo-terminal whose slave side stands for a serial port.
//
// Its master does not block, so that closing it hangs up a reader at once and
// a port that nobody reads loses bytes, as a serial port does, and holds up
// nothing. One descriptor of the slave stays open here: without it a write
// would be kept for whoever opens the port next.
type PTY struct {
	master *os.File
	slave  int
	path   string
	lost   int64 // bytes that nobody read
}

// unreadMax is how many unread bytes mean that nobody reads: a few seconds of
// an encoder's lines.
const unreadMax = 2048

// OpenPTY makes a pseudo-terminal. heard is told what a reader sends, from a
// goroutine of its own that ends with Close; the bytes are valid until it
// returns.
func OpenPTY(heard func([]byte)) (*PTY, error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("virtual bench: opening /dev/ptmx: %w: is devpts mounted?", err)
	}
	master := os.NewFile(uintptr(fd), "/dev/ptmx")
	path, slave, err := openSlave(fd)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("virtual bench: making a pseudo-terminal: %w", err), master.Close())
	}
	go passOn(master, heard)
	return &PTY{master: master, slave: slave, path: path}, nil
}

// passOn ends when the master is closed.
func passOn(master *os.File, heard func([]byte)) {
	for b := make([]byte, 256); ; {
		n, err := master.Read(b)
		if n > 0 {
			heard(b[:n])
		}
		if err != nil {
			return
		}
	}
}

// Path is the slave side's.
func (p *PTY) Path() string { return p.path }

func openSlave(master int) (path string, slave int, err error) {
	if err := unix.IoctlSetPointerInt(master, unix.TIOCSPTLCK, 0); err != nil {
		return "", 0, err
	}
	n, err := unix.IoctlGetInt(master, unix.TIOCGPTN)
	if err != nil {
		return "", 0, err
	}
	path = "/dev/pts/" + strconv.Itoa(n)
	slave, err = unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
	if err != nil {
		return "", 0, err
	}
	if err := makeRaw(slave); err != nil {
		return "", 0, errors.Join(err, unix.Close(slave))
	}
	return path, slave, nil
}

// makeRaw stops the terminal from echoing and rewriting before a reader does.
func makeRaw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.ICRNL | unix.INLCR | unix.IGNCR | unix.IXON | unix.ISTRIP
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ICANON | unix.ECHO | unix.ISIG | unix.IEXTEN
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}

// Write sends what the port takes and counts the rest as lost.
func (p *PTY) Write(b []byte) error {
	if n, err := unix.IoctlGetInt(p.slave, unix.TIOCINQ); err == nil && n > unreadMax {
		if err := unix.IoctlSetInt(p.slave, unix.TCFLSH, unix.TCIFLUSH); err == nil {
			p.lost += int64(n)
		}
	}
	conn, err := p.master.SyscallConn()
	if err != nil {
		return err
	}
	var n int
	var werr error
	err = conn.Write(func(fd uintptr) bool {
		n, werr = unix.Write(int(fd), b)
		return true // never wait
	})
	p.lost += int64(len(b) - max(n, 0))
	if errors.Is(werr, unix.EAGAIN) {
		werr = nil
	}
	return errors.Join(err, werr)
}

// drainedMS: nothing unread for so long is nothing on its way either, as the
// kernel hands bytes from one side to the other when it has time.
const drainedMS = 20

// Drain gives the reader a moment, 0.2 s at most, to take what it was sent: a
// hangup throws unread bytes away.
func (p *PTY) Drain() {
	for empty, tries := 0, 0; empty < drainedMS && tries < 200; tries++ {
		if n, err := unix.IoctlGetInt(p.slave, unix.TIOCINQ); err == nil && n > 0 {
			empty = 0
		} else {
			empty++
		}
		time.Sleep(time.Millisecond)
	}
}

// Close hangs up.
func (p *PTY) Close() error { return errors.Join(p.master.Close(), unix.Close(p.slave)) }
