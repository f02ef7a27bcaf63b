package acquire

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// PortInfo is one serial port of this machine.
type PortInfo struct {
	Path     string // the stable name where there is one: use it in the bench file
	Node     string // the device node, "/dev/ttyUSB0"
	Identity string // what the device says of itself, "" if nothing
	// LatencyTimerMS: the adapter hands bytes over in lumps so far apart; 0 if it
	// has no such timer.
	LatencyTimerMS int
}

// ListPorts looks which serial ports are there, without opening any: opening
// one changes its speed under whoever uses it.
func ListPorts() []PortInfo { return listPorts("/dev", "/sys") }

func listPorts(dev, sys string) []PortInfo {
	byID := filepath.Join(dev, "serial", "by-id")
	sysTTY := filepath.Join(sys, "class", "tty")
	stable := map[string]string{}
	links, _ := os.ReadDir(byID)
	for _, l := range links {
		path := filepath.Join(byID, l.Name())
		if node, err := filepath.EvalSymlinks(path); err == nil {
			stable[node] = path
		}
	}
	var ports []PortInfo
	ttys, _ := os.ReadDir(sysTTY)
	for _, tty := range ttys {
		node := filepath.Join(dev, tty.Name())
		if !hasDevice(filepath.Join(sysTTY, tty.Name())) {
			continue
		}
		if _, err := os.Stat(node); err != nil {
			continue
		}
		p := PortInfo{Path: node, Node: node, Identity: strings.Join(usbTexts(filepath.Join(sysTTY, tty.Name())), " ")}
		if s, ok := stable[node]; ok {
			p.Path = s
		}
		p.LatencyTimerMS = latencyTimerMS(node, sys)
		ports = append(ports, p)
	}
	slices.SortFunc(ports, func(a, b PortInfo) int { return strings.Compare(a.Path, b.Path) })
	return ports
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

// usbTexts are maker, product and serial number of the USB device behind a
// port, as far as it has them.
func usbTexts(dir string) (texts []string) {
	at, err := filepath.EvalSymlinks(filepath.Join(dir, "device"))
	if err != nil {
		return nil
	}
	for range 4 {
		if _, err := os.Stat(filepath.Join(at, "idVendor")); err == nil {
			for _, file := range []string{"manufacturer", "product", "serial"} {
				if b, err := os.ReadFile(filepath.Join(at, file)); err == nil {
					texts = append(texts, strings.TrimSpace(string(b)))
				}
			}
			return texts
		}
		at = filepath.Dir(at)
	}
	return nil
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
