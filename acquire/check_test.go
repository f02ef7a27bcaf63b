package acquire

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestCheckInstrument(t *testing.T) {
	for _, good := range []InstrumentConfig{encoderConfig("/dev/x"), indicatorConfig("left", "/dev/x"), modbusConfig("left", "/dev/x")} {
		if found := CheckInstrument(good); len(found) > 0 {
			t.Errorf("%s: %v", good.Name, found)
		}
	}
	enc := func(change func(*InstrumentConfig)) InstrumentConfig {
		c := encoderConfig("/dev/x")
		change(&c)
		return c
	}
	ind := func(change func(*InstrumentConfig)) InstrumentConfig {
		c := indicatorConfig("left", "/dev/x")
		change(&c)
		return c
	}
	modbus := func(change func(*InstrumentConfig)) InstrumentConfig {
		c := modbusConfig("left", "/dev/x")
		change(&c)
		return c
	}
	for _, c := range []struct {
		cfg  InstrumentConfig
		want string
	}{
		{enc(func(c *InstrumentConfig) { c.Port = "" }), "port: missing: name the serial port; " + seePorts},
		{enc(func(c *InstrumentConfig) { c.Baud = 115201 }), "baud: 115201 is no speed that instruments use: take the one in its manual, such as 9600"},
		{enc(func(c *InstrumentConfig) { c.Frame = "8n1" }), `frame: "8n1" is none: write data bits 7 or 8, parity N, E or O, stop bits 1 or 2, as in "8N1"`},
		{enc(func(c *InstrumentConfig) { c.Format = "smoke" }), `format: "smoke" is none: use one of line, bcd-frame, modbus-rtu`},
		{ind(func(c *InstrumentConfig) { c.Format = "bcd-frame" }), `encoding: "" is neither hex nor packed: write "hex" for 13 hexadecimal digits a line, "packed" for 7 bytes`},
		{ind(func(c *InstrumentConfig) { c.Format, c.Encoding, c.Frame = "bcd-frame", "packed", "7E1" }), `frame: "7E1" leaves no room for the eighth bit of its bytes: write "8N1", or "8E1" if its manual says so`},
		{modbus(func(c *InstrumentConfig) { c.UnitID = 248 }), "unit_id: 248 cannot be: write 1 to 247, as set at the instrument"},
		{modbus(func(c *InstrumentConfig) { c.Function = 6 }), "function: 6 cannot be: write 3 for holding registers or 4 for input registers"},
		{modbus(func(c *InstrumentConfig) { c.Register = 70000 }), "register: 70000 cannot be: write 0 to 65535; a manual that counts from 40001 or 30001 means 0 by that"},
		{modbus(func(c *InstrumentConfig) { c.Type = "double" }), `type: "double" cannot be: write one of int16, uint16, int32, uint32, float32`},
		{modbus(func(c *InstrumentConfig) { c.WordOrder = "middle" }), `word_order: "middle" cannot be: write "high-first" or "low-first"`},
		{modbus(func(c *InstrumentConfig) { c.Scale = 0 }), "scale: 0 cannot be: write what one step of the register is worth, in mm or counts, up to 1e6 and with nine decimals at most, such as 0.001"},
		{modbus(func(c *InstrumentConfig) { c.Unit = "in" }), "unit: a register times scale is in mm: leave unit out, and write scale in mm: 25.4 times what it is in inches"},
		{modbus(func(c *InstrumentConfig) { c.Request = "R" }), "request: modbus-rtu asks by itself: leave it out"},
		{modbus(func(c *InstrumentConfig) { c.IntervalMS = 1 }), "interval_ms: 1 ms cannot be kept: write how often to ask, from 5 to 60000"},
		{enc(func(c *InstrumentConfig) { c.Pattern = `(?P<value>\d+)` }), "pattern: pattern lacks the named group (?P<count>…) or (?P<degrees>…): correct it by what the instrument sends"},
		{enc(func(c *InstrumentConfig) { c.Direction = 0 }), "direction: 0 is neither 1 nor -1: write 1, or -1 where it counts the other way"},
		{enc(func(c *InstrumentConfig) { c.CountsPerRev = 0 }), "counts_per_rev: 0 counts a turn cannot be: write how many counts one turn of the crank gives, such as 7200"},
		{ind(func(c *InstrumentConfig) { c.Name = "" }), `name: missing: give the indicator a name, such as "left"`},
		{ind(func(c *InstrumentConfig) { c.Unit = "cm" }), `unit: "cm" is neither mm nor in: write "mm" or "in"`},
		{ind(func(c *InstrumentConfig) { c.ResolutionMM = 2 }), "resolution_mm: 2 mm cannot be: write the display's last digit in mm, such as 0.001"},
		{ind(func(c *InstrumentConfig) { c.Request = "?\r" }), "interval_ms: 0 ms cannot be kept: write how often to ask, from 5 to 60000"},
	} {
		found := CheckInstrument(c.cfg)
		if len(found) != 1 || found[0].Error() != c.want {
			t.Errorf("got  %v\nwant %s", found, c.want)
		}
	}
}

func TestCheckConfig(t *testing.T) {
	made := func(change func(*Config)) Config {
		c := Config{Encoder: encoderConfig("/dev/enc"), Indicators: []InstrumentConfig{indicatorConfig("left", "/dev/left")}, Sweep: DefaultSweepConfig()}
		change(&c)
		return c
	}
	if found := CheckConfig(made(func(*Config) {})); len(found) > 0 {
		t.Errorf("a good bench: %v", found)
	}
	for _, c := range []struct {
		cfg  Config
		want string
	}{
		{made(func(c *Config) { c.Indicators = nil }), "indicator: there are 0: a bench has 1 to 8"},
		{made(func(c *Config) { c.Indicators = append(c.Indicators, indicatorConfig("left", "/dev/right")) }), "left: name: two instruments have it: give each its own"},
		{made(func(c *Config) { c.Indicators[0].Port = "/dev/enc" }), "left: port: it is shared with encoder, but baud, frame or format differ: one port has one of each: make them equal"},
		{made(func(c *Config) {
			c.Encoder, c.Indicators[0] = modbusConfig("encoder", "/dev/m"), modbusConfig("left", "/dev/m")
			c.Encoder.Kind, c.Encoder.CountsPerRev = KindEncoder, 7200
		}), "left: register: it reads the same as encoder: give each its own unit_id or register"},
		{made(func(c *Config) {
			right := indicatorConfig("right", "/dev/left")
			right.Format, right.Encoding = "bcd-frame", "hex"
			c.Indicators[0].Format, c.Indicators[0].Encoding = "bcd-frame", "hex"
			c.Indicators = append(c.Indicators, right)
		}), "right: port: it is shared with left, and a frame does not say whose it is: give each its own port"},
		{made(func(c *Config) { c.Indicators[0].Unit = "" }), `left: unit: "" is neither mm nor in: write "mm" or "in"`},
		{made(func(c *Config) { c.Sweep.ReversalDeg = 0 }), "sweep: reversal_deg: 0 cannot be: write a number up to 45, such as 1.0"},
		{made(func(c *Config) { c.Sweep.WindowDeg = 200 }), "sweep: window_deg: 200 cannot be: write a number up to 180, such as 60"},
	} {
		found := CheckConfig(c.cfg)
		if len(found) != 1 || found[0].Error() != c.want {
			t.Errorf("got  %v\nwant %s", found, c.want)
		}
	}
	if found := CheckConfig(made(func(c *Config) { c.Sweep.WindowDeg = 0 })); len(found) > 0 {
		t.Errorf("window_deg 0 means never: %v", found)
	}
	if _, err := NewBench(made(func(c *Config) { c.Encoder.Baud = 1 }), &memory{}, Resume{}, Options{}); err == nil ||
		err.Error() != "this bench cannot be opened: encoder: baud: 1 is no speed that instruments use: take the one in its manual, such as 9600" {
		t.Errorf("a bench was made of it: %v", err)
	}
}

// A made-up /dev and /sys: one USB adapter with a latency timer, one real
// port, one placeholder.
func TestListPorts(t *testing.T) {
	root, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	write := func(path, text string) {
		t.Helper()
		path = filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if to, ok := strings.CutPrefix(text, "-> "); ok {
			err = os.Symlink(filepath.Join(root, to), path)
		} else {
			err = os.WriteFile(path, []byte(text+"\n"), 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for path, text := range map[string]string{
		"sys/devices/usb1/1-2/idVendor":                    "1234",
		"sys/devices/usb1/1-2/idProduct":                   "5678",
		"sys/devices/usb1/1-2/manufacturer":                "Maker",
		"sys/devices/usb1/1-2/product":                     "Cable",
		"sys/devices/usb1/1-2/serial":                      "0007",
		"sys/devices/usb1/1-2/1-2:1.0/ttyUSB0/x":           "",
		"sys/bus/usb-serial/drivers/ftdi_sio/x":            "",
		"sys/devices/usb1/1-2/1-2:1.0/ttyUSB0/driver":      "-> sys/bus/usb-serial/drivers/ftdi_sio",
		"sys/class/tty/ttyUSB0/device":                     "-> sys/devices/usb1/1-2/1-2:1.0/ttyUSB0",
		"sys/bus/usb-serial/devices/ttyUSB0/latency_timer": "16",
		"sys/devices/platform/serial8250/x":                "",
		"sys/bus/platform/drivers/serial8250/x":            "",
		"sys/devices/platform/serial8250/driver":           "-> sys/bus/platform/drivers/serial8250",
		"sys/class/tty/ttyS0/device":                       "-> sys/devices/platform/serial8250",
		"sys/class/tty/ttyS0/type":                         "4",
		"sys/class/tty/ttyS1/device":                       "-> sys/devices/platform/serial8250",
		"sys/class/tty/ttyS1/type":                         "0",
		"sys/class/tty/tty1/dev":                           "4:1",
		"dev/ttyUSB0":                                      "",
		"dev/ttyS0":                                        "",
		"dev/ttyS1":                                        "",
		"dev/tty1":                                         "",
		"dev/serial/by-id/usb-Maker_Cable_0007-if00-port0": "-> dev/ttyUSB0",
	} {
		write(path, text)
	}
	tree := portTree{dev: filepath.Join(root, "dev"), sys: filepath.Join(root, "sys"), proc: filepath.Join(root, "proc"), access: func(string) error { return nil }}
	got := tree.list()
	stable := filepath.Join(root, "dev/serial/by-id/usb-Maker_Cable_0007-if00-port0")
	want := []PortInfo{
		{Path: stable, Node: filepath.Join(root, "dev/ttyUSB0"), Identity: "Maker Cable 0007", VID: "1234", PID: "5678", Serial: "0007", Driver: "ftdi_sio", LatencyTimerMS: 16},
		{Path: filepath.Join(root, "dev/ttyS0"), Node: filepath.Join(root, "dev/ttyS0"), Driver: "serial8250"},
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if one := tree.at(stable); one != want[0] {
		t.Errorf("by its name %+v", one)
	}
	if none := tree.at(filepath.Join(root, "dev/tty1x")); none.Trouble == nil || none.Trouble.Trouble != PortAbsent {
		t.Errorf("an absent one: %+v", none)
	}
	write("file", "")
	if none := tree.at(filepath.Join(root, "file")); none.Trouble == nil || none.Trouble.Trouble != PortNotSerial {
		t.Errorf("a file: %+v", none)
	}
	byID, sysTTY := filepath.Join(root, "dev/serial/by-id"), filepath.Join(root, "sys/class/tty")
	for _, path := range []string{stable, filepath.Join(root, "dev/ttyUSB0")} {
		if id := identityOf(path, byID, sysTTY); id != "usb-Maker_Cable_0007-if00-port0" {
			t.Errorf("%s is %q", path, id)
		}
	}
}

// Two adapters of one make that carry the same serial number have one by-id
// link between them: their sockets tell them apart. An adapter with two ports
// is no pair of twins.
func TestTwinAdapters(t *testing.T) {
	root, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	lay := func(path, text string) {
		t.Helper()
		path = filepath.Join(root, path)
		err := os.MkdirAll(filepath.Dir(path), 0o700)
		if to, ok := strings.CutPrefix(text, "-> "); ok && err == nil {
			err = os.Symlink(filepath.Join(root, to), path)
		} else if err == nil {
			err = os.WriteFile(path, []byte(text+"\n"), 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	lay("sys/bus/usb-serial/drivers/cable/x", "")
	adapter := func(socket, serial, node, portNumber string) {
		usb := "sys/devices/usb1/" + socket
		if _, err := os.Stat(filepath.Join(root, usb)); err != nil {
			lay(usb+"/idVendor", "1234")
			lay(usb+"/idProduct", "5678")
			lay(usb+"/product", "Cable")
			lay(usb+"/serial", serial)
		}
		lay(usb+"/if0/"+node+"/port_number", portNumber)
		lay(usb+"/if0/"+node+"/driver", "-> sys/bus/usb-serial/drivers/cable")
		lay("sys/class/tty/"+node+"/device", "-> "+usb+"/if0/"+node)
		lay("dev/"+node, "")
		lay("dev/serial/by-path/usb-"+socket+"-port"+portNumber, "-> dev/"+node)
	}
	adapter("1-1", "0001", "ttyUSB0", "0")
	adapter("1-2", "0001", "ttyUSB1", "0")
	adapter("1-3", "0002", "ttyUSB2", "0")
	adapter("1-3", "0002", "ttyUSB3", "1")
	lay("dev/serial/by-id/usb-Cable_0001-if00-port0", "-> dev/ttyUSB1")
	lay("dev/serial/by-id/usb-Cable_0002-if00-port0", "-> dev/ttyUSB2")
	lay("dev/serial/by-id/usb-Cable_0002-if00-port1", "-> dev/ttyUSB3")
	tree := portTree{dev: filepath.Join(root, "dev"), sys: filepath.Join(root, "sys"), proc: filepath.Join(root, "proc"), access: func(path string) error {
		if filepath.Base(path) == "ttyUSB2" {
			return os.ErrPermission
		}
		return nil
	}}
	lay("proc/77/fd/5", "-> dev/ttyUSB3")
	lay("proc/77/comm", "logger")
	var got []string
	for _, p := range tree.list() {
		what := "free"
		if p.Trouble != nil {
			what = string(p.Trouble.Trouble)
		}
		got = append(got, fmt.Sprintf("%s %s twin=%v %s %s", strings.TrimPrefix(p.Path, root+"/dev/serial/"), filepath.Base(p.Node), p.Twin, what, p.Holder))
	}
	want := []string{
		"by-id/usb-Cable_0002-if00-port0 ttyUSB2 twin=false no permission ",
		"by-id/usb-Cable_0002-if00-port1 ttyUSB3 twin=false busy logger",
		"by-path/usb-1-1-port0 ttyUSB0 twin=true free ",
		"by-path/usb-1-2-port0 ttyUSB1 twin=true free ",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}
