package main

import (
	"fmt"
	"strings"

	"crownmark/acquire"
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
	atLeast(&ps, "/alignment/lash_deg", b.Alignment.LashDeg, 0)
	atLeast(&ps, "/alignment/lash_u_deg", b.Alignment.LashUDeg, 0)
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
		ps.Add("", "add [encoder] with port, baud, pattern and counts_per_rev", "there is no [encoder]")
		return
	}
	e := b.Encoder
	for _, key := range []string{"port", "baud", "pattern"} {
		b.need(ps, places, "/encoder", key)
	}
	if !places.Has("/encoder/counts_per_rev") && !strings.Contains(e.Pattern, "<degrees>") {
		ps.Add("/encoder/counts_per_rev", "add counts_per_rev = …, the counts for one turn of the crank", "counts_per_rev is missing")
	} else if e.CountsPerRev < 0 || (places.Has("/encoder/counts_per_rev") && e.CountsPerRev < 4) {
		ps.Add("/encoder/counts_per_rev", "write the counts for one turn of the crank; a counting direction belongs into direction", "counts_per_rev = %g cannot be", e.CountsPerRev)
	}
	direction(ps, "/encoder/direction", e.Direction)
	if e.EccentricityUDeg != nil {
		atLeast(ps, "/encoder/eccentricity_u_deg", *e.EccentricityUDeg, 0)
	}
	if e.AccuracyUDeg != nil {
		atLeast(ps, "/encoder/accuracy_u_deg", *e.AccuracyUDeg, 0)
	}
}

func (b benchFile) checkIndicators(ps *strict.Problems, places strict.Places) {
	if len(b.Indicator) == 0 {
		ps.Add("", "add [[indicator]] with name, port, baud and pattern", "there is no [[indicator]]")
	}
	names := map[string]bool{}
	for i, t := range b.Indicator {
		at := fmt.Sprintf("/indicator/%d", i)
		for _, key := range []string{"name", "port", "baud", "pattern"} {
			b.need(ps, places, at, key)
		}
		if names[t.Name] {
			ps.Add(at+"/name", "give each indicator its own name", "two indicators are named %q", t.Name)
		}
		names[t.Name] = true
		direction(ps, at+"/direction", t.Direction)
		if u := or(t.Unit, "mm"); u != "mm" && u != "in" {
			ps.Add(at+"/unit", "write mm or in", "unit is %q", u)
		}
		if t.ResolutionMM != 0 && (t.ResolutionMM < 1e-5 || t.ResolutionMM > 0.1) {
			ps.Add(at+"/resolution_mm", "write the display's last step in mm, for example 0.001", "resolution_mm = %g cannot be", t.ResolutionMM)
		}
		if _, err := unescape(t.Request); err != nil {
			ps.Add(at+"/request", `write plain letters and Go escapes, for example '\x05' or 'R\r'`, "request = %q cannot be read", t.Request)
		}
		if n := or(t.IntervalMS, defaultAskEach); n < 1 || n > 60000 {
			ps.Add(at+"/interval_ms", "write how often to ask, in ms: 20 is fifty times a second", "interval_ms = %d cannot be", n)
		}
		atLeast(ps, at+"/latency_u_ms", or(t.LatencyUMS, defaultDelayU), 0)
		b.checkPort(ps, at, t)
	}
}

// checkInstruments asks the room that reads the ports what it could not read:
// baud, frame, format and pattern. What was told before is not told twice.
func (b benchFile) checkInstruments(ps *strict.Problems) {
	told := map[string]bool{}
	for _, p := range *ps {
		told[p.Pointer] = true
	}
	add := func(table string, c acquire.InstrumentConfig) {
		for _, p := range acquire.CheckInstrument(c) {
			if at := table + "/" + p.Key; !told[at] {
				ps.Add(at, p.Fix, "%s", p.Detail)
			}
		}
	}
	if !told[""] {
		add("/encoder", b.encoder())
	}
	for i := range b.Indicator {
		add(fmt.Sprintf("/indicator/%d", i), b.indicator(i))
	}
}

// checkPort: instruments on one port must speak alike.
func (b benchFile) checkPort(ps *strict.Problems, at string, t indicatorTable) {
	if t.Port != "" && t.Port == b.Encoder.Port && (t.Baud != b.Encoder.Baud || or(t.Frame, "8N1") != or(b.Encoder.Frame, "8N1")) {
		ps.Add(at+"/baud", "give both the same baud and frame, or each its own port", "encoder and indicator %q share a port but not its speed or frame", t.Name)
	}
}

func (b benchFile) checkSweep(ps *strict.Problems) {
	s := b.Sweep
	above := func(key string, v float64) {
		if !(v > 0) {
			ps.Add("/sweep/"+key, "write a number above 0, or leave it out", "%s = %g cannot be", key, v)
		}
	}
	above("idle_s", s.IdleS)
	above("motion_deg", s.MotionDeg)
	above("contact_mm", s.ContactMM)
	above("min_span_deg", s.MinSpanDeg)
	atLeast(ps, "/sweep/window_deg", s.WindowDeg, 0)
	if s.ReversalDeg < s.MotionDeg {
		ps.Add("/sweep/reversal_deg", "make it larger than motion_deg and than the crank's spring-back", "reversal_deg = %g is below motion_deg = %g", s.ReversalDeg, s.MotionDeg)
	}
}

// need: a key whose value cannot be guessed.
func (b benchFile) need(ps *strict.Problems, places strict.Places, table, key string) {
	if places.Has(table + "/" + key) {
		return
	}
	ps.Add(table+"/"+key, map[string]string{
		"name":    `add name = "left": the page and the sweeps call it so`,
		"port":    `add port = "/dev/serial/by-id/…": it stays when the device is plugged in again`,
		"baud":    "add baud = 9600, or what the instrument's manual says",
		"pattern": `add pattern = '…', a regular expression with the group (?P<count>…) for an encoder, (?P<value>…) for an indicator`,
	}[key], "%s is missing", key)
}

func direction(ps *strict.Problems, at string, d *int) {
	if d != nil && *d != 1 && *d != -1 {
		ps.Add(at, "write 1, or -1 where it counts the other way round", "direction is %d", *d)
	}
}

func atLeast(ps *strict.Problems, at string, v, least float64) {
	if v < least {
		key := at[strings.LastIndexByte(at, '/')+1:]
		ps.Add(at, fmt.Sprintf("write a number from %g, or leave it out", least), "%s = %g cannot be", key, v)
	}
}
