package acquire

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// PortTrouble is why a port cannot be used.
type PortTrouble string

const (
	PortAbsent     PortTrouble = "absent"
	PortBusy       PortTrouble = "busy"
	PortPermission PortTrouble = "no permission"
	PortNotSerial  PortTrouble = "not a serial port"
	PortFailed     PortTrouble = "failed"
	PortLost       PortTrouble = "lost"
)

// PortError says what is wrong with a port, where, and what to do.
type PortError struct {
	Port    string
	Trouble PortTrouble
	What    string // "is not there"
	Fix     string // "plug it in"
	Err     error  // the cause as the system told it, may be nil
}

func (e *PortError) Error() string { return fmt.Sprintf("port %s %s: %s", e.Port, e.What, e.Fix) }
func (e *PortError) Unwrap() error { return e.Err }

const seePorts = "`crownmark ports` lists what is there"

func portAbsent(path string, err error) *PortError {
	return &PortError{path, PortAbsent, "is not there", "plug the instrument in, or correct its name (\"port\" in the bench file); " + seePorts, err}
}

func portNotSerial(path string, err error) *PortError {
	return &PortError{path, PortNotSerial, "is not a serial port", "correct its name (\"port\" in the bench file); " + seePorts, err}
}

func portLost(path string, err error) *PortError {
	return &PortError{path, PortLost, "went away", "plug the instrument in again; it goes on by itself", err}
}

func portHangs(path string) *PortError {
	return &PortError{path, PortLost, "spoke steadily and has stopped, so it is opened anew", "if it stays silent, unplug it and plug it in again, and look whether its instrument is on", nil}
}

func portFailed(path, doing string, err error) *PortError {
	return &PortError{path, PortFailed, fmt.Sprintf("failed while %s (%v)", doing, err), "unplug it and plug it in again; if that does not help, try another adapter or cable", err}
}

// portBusy names who holds the port, if /proc tells.
func portBusy(path, proc string, err error) *PortError {
	e := &PortError{path, PortBusy, "is in use", "end the program that holds it; it is then opened by itself", err}
	pid, name := holder(path, proc)
	switch {
	case pid == os.Getpid():
		e.What, e.Fix = "is in use by this program already", "two instruments name one device: give both the same \"port\", or correct one"
	case pid != 0:
		e.What = fmt.Sprintf("is in use by %s (process %d)", name, pid)
		e.Fix = "end that program; the port is then opened by itself"
	}
	return e
}

// portPermission names the group that owns the node and the command to join it.
func portPermission(path string, err error) *PortError {
	e := &PortError{path, PortPermission, "may not be opened by this user",
		"have whoever keeps this machine give it to the group dialout with a udev rule, and this user to that group", err}
	info, statErr := os.Stat(path)
	me, userErr := user.Current()
	if statErr != nil || userErr != nil {
		return e
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok || st.Gid == 0 || info.Mode().Perm()&0o060 != 0o060 {
		return e
	}
	gid := strconv.Itoa(int(st.Gid))
	group := "number " + gid
	if g, err := user.LookupGroupId(gid); err == nil {
		group = g.Name
	}
	e.What = fmt.Sprintf("may not be opened by user %s: it belongs to the group %s", me.Username, group)
	e.Fix = fmt.Sprintf("run `sudo usermod -aG %s %s`, then log out and in again", group, me.Username)
	if member, _ := me.GroupIds(); slices.Contains(member, gid) {
		e.Fix = "this user was put into that group after logging in: log out and in again"
	}
	return e
}

// openError turns what opening a node said into a PortError.
func openError(path, proc string, err error) *PortError {
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return portAbsent(path, err)
	case errors.Is(err, fs.ErrPermission):
		return portPermission(path, err)
	case errors.Is(err, syscall.EBUSY), errors.Is(err, syscall.EWOULDBLOCK):
		return portBusy(path, proc, err)
	case errors.Is(err, syscall.ENOTTY), errors.Is(err, syscall.EISDIR), errors.Is(err, syscall.EINVAL):
		return portNotSerial(path, err)
	case errors.Is(err, syscall.EIO):
		return portLost(path, err)
	}
	return portFailed(path, "opening", err)
}

// holder finds a process that has the node open or has locked it: 0 if none
// can be seen.
func holder(path, proc string) (pid int, name string) {
	node, err := filepath.EvalSymlinks(path)
	if err != nil {
		return 0, ""
	}
	fds, _ := filepath.Glob(filepath.Join(proc, "[0-9]*", "fd", "*"))
	for _, fd := range fds {
		if target, err := os.Readlink(fd); err != nil || target != node {
			continue
		}
		process := filepath.Dir(filepath.Dir(fd))
		if pid, err = strconv.Atoi(filepath.Base(process)); err == nil && !isInstrument(process, node) {
			return pid, programName(proc, pid)
		}
	}
	if pid = locker(node, proc); pid != 0 { // of another user: its descriptors are hidden, its lock is not
		return pid, programName(proc, pid)
	}
	return 0, ""
}

// isInstrument tells whether a process has the other side of a
// pseudo-terminal: then it is no rival, but who speaks there.
func isInstrument(process, node string) bool {
	number, isPTY := strings.CutPrefix(node, "/dev/pts/")
	if !isPTY {
		return false
	}
	infos, _ := filepath.Glob(filepath.Join(process, "fdinfo", "*"))
	for _, info := range infos {
		b, err := os.ReadFile(info)
		if _, index, found := strings.Cut(string(b), "tty-index:"); err == nil && found && strings.TrimSpace(index) == number {
			return true
		}
	}
	return false
}

func programName(proc string, pid int) string {
	comm, err := os.ReadFile(filepath.Join(proc, strconv.Itoa(pid), "comm"))
	if name := strings.TrimSpace(string(comm)); err == nil && name != "" {
		return name
	}
	return "another program"
}

// locker finds who has locked the node. A line of /proc/locks reads
//
//	1: FLOCK  ADVISORY  WRITE 1234 00:18:3 0 EOF
//
// with the process and the file's device (hex) and inode.
func locker(node, proc string) (pid int) {
	info, err := os.Stat(node)
	if err != nil {
		return 0
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return 0
	}
	file := fmt.Sprintf("%02x:%02x:%d", unix.Major(st.Dev), unix.Minor(st.Dev), st.Ino)
	locks, _ := os.ReadFile(filepath.Join(proc, "locks"))
	for line := range strings.Lines(string(locks)) {
		if f := strings.Fields(line); len(f) >= 6 && f[1] == "FLOCK" && f[5] == file {
			pid, _ = strconv.Atoi(f[4])
		}
	}
	return max(pid, 0)
}
