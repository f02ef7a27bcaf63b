package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"crownmark/acquire"
)

type portsCmd struct {
	Port []string      `arg:"" optional:"" help:"Ports to look at; all of this machine's if left out."`
	Each time.Duration `default:"1s" help:"Listen so long at each likely speed, all ports at once; 0s lists them and opens none."`
	JSON bool          `name:"json" help:"Write JSON and nothing else."`
}

// Help is shown below the flags.
func (portsCmd) Help() string {
	return `For each port: the name for the bench file, which stays when the device is plugged in again; what the device says of itself; who holds it, or what this user lacks; and what is heard on it. Nothing is sent. A port that a program holds is left alone.`
}

// portRow is one port in "ports --json".
type portRow struct {
	Port           string     `json:"port"`
	Node           string     `json:"node"`
	Stable         bool       `json:"stable"`
	Twin           bool       `json:"twin"`
	Identity       string     `json:"identity"`
	VID            string     `json:"vid"`
	PID            string     `json:"pid"`
	Serial         string     `json:"serial"`
	Driver         string     `json:"driver"`
	LatencyTimerMS int        `json:"latency_timer_ms"`
	State          string     `json:"state"` // "free", or an acquire.PortTrouble
	Holder         *holding   `json:"holder"`
	Detail         string     `json:"detail"`
	Fix            string     `json:"fix"`
	Heard          []heardRow `json:"heard"` // none: not listened to, or nothing came; two share the port
}

type holding struct {
	PID     int    `json:"pid"`
	Program string `json:"program"`
}

type heardRow struct {
	Kind         string  `json:"kind"` // "encoder", "indicator", "" where it was not recognised
	Baud         int     `json:"baud"`
	Frame        string  `json:"frame"`
	Format       string  `json:"format"`
	Encoding     string  `json:"encoding"`
	Pattern      string  `json:"pattern"`
	Unit         string  `json:"unit"`
	ResolutionMM float64 `json:"resolution_mm"`
	RateHz       float64 `json:"rate_hz"`
	Line         string  `json:"line"` // the last one heard
}

// Validate is called once the flags are read.
func (c portsCmd) Validate() error {
	if c.Each < 0 || c.Each > time.Minute {
		return fmt.Errorf("--each=%v cannot be; write from 0s to 1m", c.Each)
	}
	return nil
}

// Run lists the ports and listens to those that are free.
func (c portsCmd) Run(ctx context.Context, std stdio) error {
	var found []acquire.PortInfo
	if len(c.Port) == 0 {
		found = acquire.ListPorts()
	}
	for _, path := range c.Port {
		found = append(found, acquire.PortAt(path))
	}
	rows := make([]portRow, len(found))
	var listening sync.WaitGroup
	for i, p := range found {
		rows[i] = rowOfPort(p)
		if p.Trouble == nil && c.Each > 0 {
			listening.Go(func() { rows[i].listen(ctx, c.Each) })
		}
	}
	listening.Wait()
	if err := ctx.Err(); err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(std.out, rows)
	}
	portList(std.out, rows)
	return nil
}

func rowOfPort(p acquire.PortInfo) portRow {
	r := portRow{Port: p.Path, Node: p.Node, Stable: p.Stable(), Twin: p.Twin, Identity: p.Identity, VID: p.VID, PID: p.PID,
		Serial: p.Serial, Driver: p.Driver, LatencyTimerMS: p.LatencyTimerMS, State: "free"}
	if p.Trouble != nil {
		r.trouble(p.Trouble)
	}
	if p.HolderPID != 0 {
		r.Holder = &holding{p.HolderPID, p.Holder}
	}
	return r
}

func (r *portRow) trouble(e *acquire.PortError) {
	r.State, r.Detail, r.Fix = string(e.Trouble), e.What, e.Fix
}

// listen says what is heard on a port.
func (r *portRow) listen(ctx context.Context, each time.Duration) {
	got, err := acquire.Recogniser{Each: each}.Port(ctx, r.Port)
	var e *acquire.PortError
	switch {
	case errors.As(err, &e):
		r.trouble(e)
	case errors.Is(err, acquire.ErrSilent):
		r.Detail, r.Fix = "nothing was heard", "switch the instrument on; one that speaks only when asked or when a button is pressed stays silent here"
	case errors.Is(err, acquire.ErrUnknown):
		r.Detail, r.Fix = "it speaks, but not in a way that is known", "look up speed, frame and what its lines look like in its manual"
		r.Heard = []heardRow{{Baud: got.Talk.Baud, Frame: got.Talk.Frame, Line: got.Text()}}
	}
	for _, f := range got.Found {
		r.Heard = append(r.Heard, rowOfFound(f))
	}
}

func rowOfFound(f acquire.Found) heardRow {
	c := f.Config
	h := heardRow{Kind: string(f.Kind), Baud: c.Baud, Frame: c.Frame, Format: c.Format, Encoding: c.Encoding, Pattern: c.Pattern, RateHz: f.RateHz, Line: f.Last}
	if f.Kind == acquire.KindIndicator {
		h.Unit, h.ResolutionMM = c.Unit, f.ResolutionMM
	}
	return h
}

// portList writes the ports for people: the name, and below it what is known.
func portList(w io.Writer, rows []portRow) {
	if len(rows) == 0 {
		fmt.Fprintln(w, "no serial port is here; plug the instruments in")
	}
	for _, r := range rows {
		fmt.Fprintln(w, r.Port)
		for _, line := range r.lines() {
			if line != "" {
				fmt.Fprintln(w, "    "+line)
			}
		}
	}
}

func (r portRow) lines() []string {
	about := []string{r.Node}
	switch {
	case r.Node == "" || r.Node == r.Port && (r.State == string(acquire.PortAbsent) || r.State == string(acquire.PortNotSerial)):
		about = nil
	case r.Port == r.Node:
		about = []string{"no stable name: another number may come when it is plugged in again"}
	}
	if r.Identity != "" {
		about = append(about, r.Identity)
	}
	if r.VID != "" {
		about = append(about, "USB "+r.VID+":"+r.PID)
	}
	if r.LatencyTimerMS > 1 {
		about = append(about, fmt.Sprintf("hands bytes over in lumps of %d ms: set its latency timer to 1", r.LatencyTimerMS))
	}
	lines := []string{strings.Join(about, ", ")}
	if r.Twin {
		lines = append(lines, "named by its socket: another adapter here says the same of itself; keep each in its socket")
	}
	for _, h := range r.Heard {
		lines = append(lines, "heard: "+h.words())
	}
	return append(lines, r.troubleLine())
}

func (h heardRow) words() string {
	if h.Format == "" {
		return fmt.Sprintf("something, best at %d %s: %q", h.Baud, h.Frame, h.Line)
	}
	what := map[string]string{"encoder": "an encoder", "indicator": "an indicator", "": "an instrument"}[h.Kind]
	how := fmt.Sprintf("%s, %d %s, %s", what, h.Baud, h.Frame, strings.TrimSpace(h.Format+" "+h.Encoding))
	if h.RateHz > 0 {
		how += fmt.Sprintf(", %.0f readings a second", h.RateHz)
	}
	return fmt.Sprintf("%s: %q", how, h.Line)
}

func (r portRow) troubleLine() string {
	if r.Detail == "" {
		return ""
	}
	what := r.Detail
	if r.State != "free" {
		what = "it " + what
	}
	return what + ": " + r.Fix
}
