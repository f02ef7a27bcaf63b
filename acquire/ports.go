package acquire

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// PortInfo is one serial port of this machine.
type PortInfo struct {
	Path     string // the name to use in the bench file: by-id, else by-path, else the node
	Node     string // the device node, "/dev/ttyUSB0"
	Identity string // what the device says of itself, "" if nothing
	VID, PID string // the USB device's vendor and product number, four hex digits; "" if it is none
	Serial   string // the USB device's serial number
	Driver   string // of the kernel
	Twin     bool   // another adapter here says the same of itself: only its socket tells them apart
	// LatencyTimerMS: the adapter hands bytes over in lumps so far apart; 0 if it
	// has no such timer.
	LatencyTimerMS int
	Trouble        *PortError // why it cannot be opened now, nil: it can
	HolderPID      int        // of the program that holds it, 0: none is known
	Holder         string     // its name
}

// Stable tells whether Path stays when the device is plugged in again.
func (p PortInfo) Stable() bool { return p.Path != p.Node }

// ListPorts looks which serial ports are there, without opening any: opening
// one changes its speed under whoever uses it.
func ListPorts() []PortInfo { return defaultPortTree().list() }

// PortAt looks at one port by its path, whatever that is.
func PortAt(path string) PortInfo { return defaultPortTree().at(path) }

// portTree is where the system says what ports there are, so that tests can
// say it.
type portTree struct {
	dev, sys, proc string
	access         func(path string) error // may it be read and written
}

func defaultPortTree() portTree {
	return portTree{dev: "/dev", sys: "/sys", proc: "/proc", access: mayOpen}
}

func mayOpen(path string) error {
	return unix.Faccessat(unix.AT_FDCWD, path, unix.R_OK|unix.W_OK, unix.AT_EACCESS)
}

func (t portTree) list() []PortInfo {
	byID, byPath := t.links("by-id"), t.links("by-path")
	sysTTY := filepath.Join(t.sys, "class", "tty")
	var ports []PortInfo
	same := map[string]int{}
	ttys, _ := os.ReadDir(sysTTY)
	for _, tty := range ttys {
		node := filepath.Join(t.dev, tty.Name())
		if !hasDevice(filepath.Join(sysTTY, tty.Name())) {
			continue
		}
		if _, err := os.Stat(node); err != nil {
			continue
		}
		p := t.look(node, node)
		same[t.says(p)]++
		ports = append(ports, p)
	}
	for i := range ports {
		p := &ports[i]
		p.Twin = p.VID != "" && same[t.says(*p)] > 1
		p.Path = stableName(*p, byID, byPath)
	}
	slices.SortFunc(ports, func(a, b PortInfo) int { return strings.Compare(a.Path, b.Path) })
	return ports
}

// stableName is the link to use. One by-id link stands for all twins, and
// leads to whichever was plugged in last.
func stableName(p PortInfo, byID, byPath map[string]string) string {
	if s, ok := byID[p.Node]; ok && !p.Twin {
		return s
	}
	if s, ok := byPath[p.Node]; ok {
		return s
	}
	return p.Node
}

// at looks at what a path leads to.
func (t portTree) at(path string) PortInfo {
	node, err := filepath.EvalSymlinks(path)
	if err != nil {
		return PortInfo{Path: path, Node: path, Trouble: openError(path, t.proc, err)}
	}
	for _, p := range t.list() {
		if p.Node == node {
			p.Path = path
			return p
		}
	}
	if !t.terminal(node) {
		return PortInfo{Path: path, Node: node, Trouble: portNotSerial(path, nil)}
	}
	return t.look(path, node)
}

// terminal tells terminals, pseudo or real, from everything else.
func (t portTree) terminal(node string) bool {
	if filepath.Dir(node) == filepath.Join(t.dev, "pts") {
		return true
	}
	_, err := os.Stat(filepath.Join(t.sys, "class", "tty", filepath.Base(node)))
	return err == nil && filepath.Dir(node) == t.dev
}

// look says what can be known of a port without opening it.
func (t portTree) look(path, node string) PortInfo {
	usb := usbOf(filepath.Join(t.sys, "class", "tty", filepath.Base(node)))
	p := PortInfo{Path: path, Node: node, Identity: usb.text(), VID: usb.vid, PID: usb.pid, Serial: usb.serial,
		Driver: driverOf(filepath.Join(t.sys, "class", "tty", filepath.Base(node))), LatencyTimerMS: latencyTimerMS(node, t.sys)}
	if err := t.access(node); err != nil {
		p.Trouble = openError(node, t.proc, err)
		return p
	}
	if p.HolderPID, p.Holder = holder(node, t.proc); p.HolderPID != 0 {
		p.Trouble = portBusy(node, t.proc, nil)
	}
	return p
}

// says is what makes a by-id name: what the device says of itself, and which
// of its interfaces this is.
func (t portTree) says(p PortInfo) string {
	dir := filepath.Join(t.sys, "class", "tty", filepath.Base(p.Node), "device")
	parts := []string{p.VID, p.PID, p.Identity}
	for _, file := range []string{"port_number", "bInterfaceNumber", "../bInterfaceNumber"} {
		b, _ := os.ReadFile(filepath.Join(dir, file))
		parts = append(parts, strings.TrimSpace(string(b)))
	}
	return strings.Join(parts, "\x00")
}

// links are a folder's links under /dev/serial by the node they lead to; of
// several the first in the order of their names.
func (t portTree) links(folder string) map[string]string {
	dir := filepath.Join(t.dev, "serial", folder)
	to := map[string]string{}
	entries, _ := os.ReadDir(dir)
	for _, l := range entries {
		path := filepath.Join(dir, l.Name())
		node, err := filepath.EvalSymlinks(path)
		if _, have := to[node]; err == nil && !have {
			to[node] = path
		}
	}
	return to
}

func driverOf(dir string) string {
	to, err := filepath.EvalSymlinks(filepath.Join(dir, "device", "driver"))
	if err != nil {
		return ""
	}
	return filepath.Base(to)
}

// hasDevice tells real ports from the many placeholders.
func hasDevice(dir string) bool {
	driver, err := filepath.EvalSymlinks(filepath.Join(dir, "device", "driver"))
	if err != nil {
		return false
	}
	if filepath.Base(driver) != "serial8250" && filepath.Base(driver) != "port" {
		return true
	}
	kind, err := os.ReadFile(filepath.Join(dir, "type")) // 0: no chip behind the number
	return err == nil && strings.TrimSpace(string(kind)) != "0"
}

// usbDevice is what the USB device behind a port says of itself, as far as it does.
type usbDevice struct{ vid, pid, maker, product, serial string }

func (u usbDevice) text() string {
	return strings.Join(slices.DeleteFunc([]string{u.maker, u.product, u.serial}, func(s string) bool { return s == "" }), " ")
}

func usbOf(dir string) (u usbDevice) {
	at, err := filepath.EvalSymlinks(filepath.Join(dir, "device"))
	if err != nil {
		return u
	}
	for range 4 {
		read := func(file string) string {
			b, _ := os.ReadFile(filepath.Join(at, file))
			return strings.TrimSpace(string(b))
		}
		if u.vid = read("idVendor"); u.vid != "" {
			u.pid, u.maker, u.product, u.serial = read("idProduct"), read("manufacturer"), read("product"), read("serial")
			return u
		}
		at = filepath.Dir(at)
	}
	return u
}

// latencyTimerMS reads an adapter's latency timer; 0 where there is none.
func latencyTimerMS(path, sys string) int {
	node, err := filepath.EvalSymlinks(path)
	if err != nil {
		return 0
	}
	b, err := os.ReadFile(filepath.Join(sys, "bus", "usb-serial", "devices", filepath.Base(node), "latency_timer"))
	if err != nil {
		return 0
	}
	ms, _ := strconv.Atoi(strings.TrimSpace(string(b)))
	return ms
}
