package main

import "crownmark/acquire/virtual"

// setupPair is an encoder and an indicator, or more, on a virtual bench, whose
// ports are heard only at their own speed and frame, and what setup should
// write of them.
type setupPair struct {
	name               string
	encoder, indicator virtual.Voice
	more               []virtual.Voice // of indicators beside the left one
	direction          int             // of the encoder
	inches             bool
	hz                 [2]float64 // of encoder and indicators
	extra              string     // a third port: "silent" or "noisy"
	args               []string
	measured           bool     // the counts of a turn, by turning once
	silent             string   // answer to what silent ports may be asked
	want               []string // baud, frame, format of each
}

func shape(baud int, frame string) virtual.Shape {
	return virtual.Shape{Baud: baud, DataBits: int(frame[0] - '0'), Parity: frame[1], StopBits: int(frame[2] - '0')}
}

// setupPairs: of frames with two stop bits only one is heard, and 8N1 hears
// what 8E1 says.
func setupPairs() []setupPair {
	return []setupPair{
		{name: "counter, mm", measured: true, encoder: virtual.Voice{Shape: shape(115200, "8N1")}, indicator: virtual.Voice{Shape: shape(9600, "8N1")},
			want: []string{"115200 8N1 line", "9600 8N1 line"}},
		{name: "7E1, 7O1, comma, no unit", direction: -1, encoder: virtual.Voice{Shape: shape(9600, "7E1"), End: "\n"},
			indicator: virtual.Voice{Shape: shape(4800, "7O1"), End: "\r", Comma: true, Bare: true}, want: []string{"9600 7E1 line", "4800 7O1 line"}},
		{name: "axis letter and own time, status and 7E2", encoder: virtual.Voice{Shape: shape(57600, "8N1"), Prefix: "X", Clock: &virtual.Clock{StartUS: 1 << 31}},
			indicator: virtual.Voice{Shape: shape(2400, "7E2"), Prefix: "01A", Bare: true, End: "\r"}, hz: [2]float64{100, 5}, want: []string{"57600 8N1 line", "2400 7E1 line"}},
		{name: "own time, bcd hex", encoder: virtual.Voice{Shape: shape(115200, "8N1"), Clock: &virtual.Clock{StartUS: 1 << 30}},
			indicator: virtual.Voice{Format: "bcd-hex", Shape: shape(9600, "8N1")}, want: []string{"115200 8N1 line", "9600 8N1 bcd-frame hex"}},
		{name: "counting down, bcd packed", direction: -1, encoder: virtual.Voice{Shape: shape(38400, "8N1")},
			indicator: virtual.Voice{Format: "bcd-packed", Shape: shape(19200, "8N1")}, want: []string{"38400 8N1 line", "19200 8N1 bcd-frame packed"}},
		{name: "both on one Modbus", silent: "a", encoder: virtual.Voice{Format: "modbus-rtu", Unit: 2, Function: 4, Register: 16, Type: "int32", Scale: 1, Shape: shape(19200, "8E1")},
			indicator: virtual.Voice{Format: "modbus-rtu", Port: "encoder", Unit: 1, Function: 3, Type: "int32", Scale: 0.001, Shape: shape(19200, "8E1")},
			want:      []string{"19200 8E1 modbus-rtu int32 high-first", "19200 8E1 modbus-rtu int32 high-first"}},
		{name: "lines, Modbus float low word first", args: []string{"--modbus"}, encoder: virtual.Voice{Shape: shape(9600, "8N1")},
			indicator: virtual.Voice{Format: "modbus-rtu", Unit: 3, Function: 3, Type: "float32", LowFirst: true, Scale: 1, Shape: shape(9600, "8N1")},
			want:      []string{"9600 8N1 line", "9600 8N1 modbus-rtu float32 low-first"}},
		{name: "slow inches, and a silent port", extra: "silent", inches: true, encoder: virtual.Voice{Shape: shape(19200, "8N1")}, indicator: virtual.Voice{Shape: shape(1200, "8N1")},
			hz: [2]float64{50, 3}, want: []string{"19200 8N1 line", "1200 8N1 line"}},
		{name: "two on one port, and a noisy one", extra: "noisy", encoder: virtual.Voice{Prefix: "X", Shape: shape(38400, "8N1")}, indicator: virtual.Voice{Port: "encoder", Shape: shape(38400, "8N1")},
			want: []string{"38400 8N1 line", "38400 8N1 line"}},
		{name: "fast, and asked by a request", args: []string{"--request", `R\r`}, hz: [2]float64{500, 20}, encoder: virtual.Voice{Shape: shape(230400, "8N1")},
			indicator: virtual.Voice{Asked: "R\r", Shape: shape(4800, "7E1")}, want: []string{"230400 8N1 line", "4800 7E1 line"}},
		{name: "at a pedal's press", silent: "p", encoder: virtual.Voice{Shape: shape(115200, "8N1")}, indicator: virtual.Voice{Pedal: true, Shape: shape(9600, "8N1")},
			want: []string{"115200 8N1 line", "9600 8N1 line"}},
		{name: "three ports, one by a pedal", silent: "p", direction: -1, encoder: virtual.Voice{Shape: shape(19200, "8N1")}, indicator: virtual.Voice{Shape: shape(9600, "8N1")},
			more: []virtual.Voice{{Pedal: true, Format: "bcd-packed", Shape: shape(4800, "8N1")}}, want: []string{"19200 8N1 line", "9600 8N1 line", "4800 8N1 bcd-frame packed"}},
		{name: "four ports", encoder: virtual.Voice{Shape: shape(9600, "7E1")}, indicator: virtual.Voice{Shape: shape(9600, "8N1"), Prefix: "01A", Bare: true},
			more: []virtual.Voice{{Format: "bcd-hex", Shape: shape(2400, "8N1")}, {Shape: shape(4800, "7O1"), Comma: true}}, want: []string{"9600 7E1 line", "9600 8N1 line", "2400 8N1 bcd-frame hex", "4800 7O1 line"}},
		{name: "three on one Modbus", silent: "a", encoder: virtual.Voice{Format: "modbus-rtu", Unit: 3, Function: 3, Type: "int32", Scale: 1, Shape: shape(19200, "8E1")},
			indicator: virtual.Voice{Format: "modbus-rtu", Port: "encoder", Unit: 1, Function: 3, Type: "int32", Scale: 0.001, Shape: shape(19200, "8E1")},
			more:      []virtual.Voice{{Format: "modbus-rtu", Port: "encoder", Unit: 2, Function: 3, Type: "int32", Scale: 0.001, Shape: shape(19200, "8E1")}},
			want:      []string{"19200 8E1 modbus-rtu int32 high-first", "19200 8E1 modbus-rtu int32 high-first", "19200 8E1 modbus-rtu int32 high-first"}},
	}
}
