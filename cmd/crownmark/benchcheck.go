package main

import (
	"fmt"
	"strings"
	"unicode"

	"crownmark/acquire"
	"crownmark/acquire/wire"
	"crownmark/dashboards"
	"crownmark/fit/engine/strict"
)

// check says what of the bench file cannot be right, by JSON pointer.
func (b benchFile) check(places strict.Places) strict.Problems {
	var ps strict.Problems
	if strings.TrimSpace(b.Bench.Name) == "" {
		ps.Add("/bench/name", `write name = "bench-1", or leave it out`, "the bench has no name")
	}
	if b.Bench.Data == "" {
		ps.Add("/bench/data", `write data = "crownmark.db", or leave it out`, "data names no file")
	}
	b.checkEncoder(&ps, places)
	b.checkIndicators(&ps, places)
	within(&ps, "/alignment/lash_deg", b.Alignment.LashDeg, 0, mostDoubtDeg)
	within(&ps, "/alignment/lash_u_deg", b.Alignment.LashUDeg, 0, mostDoubtDeg)
	b.checkSweep(&ps)
	b.checkInstruments(&ps)
	if err := dashboards.CheckListen(b.HTTP.Listen); err != nil {
		what, fix, _ := strings.Cut(err.Error(), "; ")
		ps.Add("/http/listen", fix, "%s", what)
	}
	return ps
}

func (b benchFile) checkEncoder(ps *strict.Problems, places strict.Places) {
	if !places.Has("/encoder") {
		ps.Add("", "add [encoder] with port, baud, pattern and counts_per_rev, or with format = \"marks\" where there is none", "there is no [encoder]")
		return
	}
	format := or(b.Encoder.Format, wire.FormatLine)
	if !byEye(format) {
		b.need(ps, places, "/encoder", "port", "baud")
	}
	b.checkFormat(ps, places, "/encoder", format)
	if !byEye(format) {
		b.need(ps, places, "/encoder", "counts_per_rev")
	}
	checkRequest(ps, "/encoder", b.Encoder.Request)
	within(ps, "/encoder/eccentricity_u_deg", or(b.Encoder.EccentricityUDeg, 0), 0, mostDoubtDeg)
	within(ps, "/encoder/accuracy_u_deg", or(b.Encoder.AccuracyUDeg, 0), 0, mostDoubtDeg)
}

func (b benchFile) checkIndicators(ps *strict.Problems, places strict.Places) {
	if len(b.Indicator) == 0 {
		ps.Add("", "add [[indicator]] with name, port, baud and pattern", "there is no [[indicator]]")
	}
	names := map[string]bool{}
	for i, t := range b.Indicator {
		at := fmt.Sprintf("/indicator/%d", i)
		format := or(t.Format, wire.FormatLine)
		b.need(ps, places, at, "name")
		if !byEye(format) {
			b.need(ps, places, at, "port", "baud")
		}
		b.checkFormat(ps, places, at, format)
		if names[t.Name] {
			ps.Add(at+"/name", "give each indicator its own name", "two indicators are named %q", t.Name)
		}
		names[t.Name] = true
		checkRequest(ps, at, t.Request)
		if !printable(t.Name) {
			ps.Add(at+"/name", "write it on one line, without control characters", "the name holds a control character")
		}
		within(ps, at+"/latency_ms", t.LatencyMS, -mostDelayMS, mostDelayMS)
		within(ps, at+"/latency_u_ms", or(t.LatencyUMS, defaultDelayU), 0, mostDelayMS)
		b.checkPort(ps, at, t)
		b.checkCalibration(ps, at, t)
	}
}

// checkCalibration: the file must be there, and one that calibrate wrote.
func (b benchFile) checkCalibration(ps *strict.Problems, at string, t indicatorTable) {
	if t.Calibration == "" {
		return
	}
	if _, err := readCalibration(b.beside(t.Calibration)); err != nil {
		what, fix, _ := strings.Cut(err.Error(), "; ")
		ps.Add(at+"/calibration", fix+", or leave it out", "calibration: %s", what)
	}
}

// checkInstruments asks the room that reads the ports what it could not read.
// What was told before is not told twice.
func (b benchFile) checkInstruments(ps *strict.Problems) {
	told := map[string]bool{}
	for _, p := range *ps {
		told[p.Pointer] = true
	}
	add := func(table string, c acquire.InstrumentConfig) {
		for _, p := range acquire.CheckInstrument(c) {
			if at := table + "/" + p.Key; !told[at] {
				ps.Add(at, p.Fix, "%s: %s", p.Key, strings.TrimPrefix(p.Detail, p.Key+" "))
			}
		}
	}
	if !told[""] {
		add("/encoder", b.encoder())
	}
	for i := range b.Indicator {
		add(fmt.Sprintf("/indicator/%d", i), b.indicator(i))
	}
	alone := len(*ps) == 0
	for _, p := range acquire.CheckConfig(b.config()) {
		if key, ok := strings.CutPrefix(p.Key, "sweep: "); ok {
			ps.Add("/sweep/"+key, p.Fix, "%s: %s", key, p.Detail)
		} else if alone { // what only shows in the whole
			ps.Add(b.pointer(p.Key), p.Fix, "%s: %s", p.Key, p.Detail)
		}
	}
}

// pointer is where "left: port" stands.
func (b benchFile) pointer(key string) string {
	for i, t := range b.Indicator {
		if own, ok := strings.CutPrefix(key, t.Name+": "); ok {
			return fmt.Sprintf("/indicator/%d/%s", i, own)
		}
	}
	return ""
}

// checkPort: instruments on one port must speak alike.
func (b benchFile) checkPort(ps *strict.Problems, at string, t indicatorTable) {
	if t.Port != "" && t.Port == b.Encoder.Port && (t.Baud != b.Encoder.Baud || or(t.Frame, "8N1") != or(b.Encoder.Frame, "8N1")) {
		ps.Add(at+"/baud", "give both the same baud and frame, or each its own port", "encoder and indicator %q share a port but not its speed or frame", t.Name)
	}
}

func (b benchFile) checkSweep(ps *strict.Problems) {
	if s := b.Sweep; s.ReversalDeg < s.MotionDeg {
		ps.Add("/sweep/reversal_deg", "make it larger than motion_deg and than the crank's spring-back", "reversal_deg = %g is below motion_deg = %g", s.ReversalDeg, s.MotionDeg)
	}
}

// formatKeys are the keys that only one format knows, those first that it
// cannot do without.
func formatKeys() map[string][]string {
	return map[string][]string{
		wire.FormatLine:   {"pattern"},
		wire.FormatBCD:    {"encoding"},
		wire.FormatModbus: {"type", "unit_id", "function", "register", "word_order", "scale"},
	}
}

// checkFormat: the keys of a table must be those of its format.
func (b benchFile) checkFormat(ps *strict.Problems, places strict.Places, table, format string) {
	own, known := formatKeys()[format]
	switch {
	case known:
		b.need(ps, places, table, own[0])
	case !byEye(format):
		return // told elsewhere
	}
	for _, other := range wire.Formats() {
		for _, key := range formatKeys()[other] {
			if at := table + "/" + key; other != format && places.Has(at) {
				ps.Add(at, fmt.Sprintf("remove it, or write format = %q", other), "%s means nothing to format %q", key, format)
			}
		}
	}
}

// byEye are the formats of what a person reads.
func byEye(format string) bool { return acquire.InstrumentConfig{Format: format}.ByEye() }

func checkRequest(ps *strict.Problems, table, request string) {
	if _, err := unescape(request); err != nil {
		ps.Add(table+"/request", `write plain letters and Go escapes, for example '\x05' or 'R\r'`, "request = %q cannot be read", request)
	}
}

// need: keys whose values cannot be guessed.
func (b benchFile) need(ps *strict.Problems, places strict.Places, table string, keys ...string) {
	for _, key := range keys {
		if !places.Has(table + "/" + key) {
			ps.Add(table+"/"+key, needFix(key), "%s is missing", key)
		}
	}
}

func needFix(key string) string {
	return map[string]string{
		"name":           `add name = "left": the page and the sweeps call it so`,
		"port":           `add port = "/dev/serial/by-id/…": it stays when the device is plugged in again`,
		"baud":           "add baud = 9600, or what the instrument's manual says",
		"counts_per_rev": "add counts_per_rev = …, the counts for one turn of the crank",
		"pattern":        `add pattern = '…', a regular expression with the group (?P<count>…) for an encoder, (?P<value>…) for an indicator`,
		"encoding":       `add encoding = "hex" for 13 hexadecimal digits a line, "packed" for 7 bytes`,
		"type":           `add type = "int32", or what its manual says: ` + strings.Join(wire.ModbusTypes(), ", "),
	}[key]
}

// What no bench is worse than.
const (
	mostDoubtDeg = 10.0
	mostDelayMS  = 10000.0
)

func within(ps *strict.Problems, at string, v, least, most float64) {
	if v < least || v > most {
		key := at[strings.LastIndexByte(at, '/')+1:]
		ps.Add(at, fmt.Sprintf("write a number from %g to %g, or leave it out", least, most), "%s = %g cannot be", key, v)
	}
}

func printable(s string) bool { return !strings.ContainsFunc(s, unicode.IsControl) }
