package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"crownmark/acquire"
)

// setupPort is a port that setup listens on.
type setupPort struct {
	path    string
	got     acquire.Recognised
	err     error
	pressed bool // somebody pressed a key while it was listened on
	mu      sync.Mutex
	trying  string // what is being tried; "" once it is done
}

func (p *setupPort) progress(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.trying = text
}

// choosePorts takes the ports named, or all free ones.
func (s *setup) choosePorts() error {
	var found []acquire.PortInfo
	if len(s.Port) == 0 {
		found = acquire.ListPorts()
	}
	for n, path := range s.Port {
		if !slices.Contains(s.Port[:n], path) {
			found = append(found, acquire.PortAt(path))
		}
	}
	for _, p := range found {
		if p.Trouble != nil {
			s.talk.say("%s: left out: it %s; %s", p.Path, p.Trouble.What, p.Trouble.Fix)
			continue
		}
		s.ports = append(s.ports, &setupPort{path: p.Path})
		if p.Twin {
			s.talk.say("%s: named by its socket: another adapter here says the same of itself; keep each in its socket", p.Path)
		}
	}
	if len(s.ports) == 0 {
		return errors.New("there is no serial port to listen on; plug the instruments in, and see crownmark ports")
	}
	return nil
}

// recognise listens on all ports at once.
func (s *setup) recognise(ctx context.Context) error {
	how := "nothing is sent"
	if s.Modbus || s.Request != "" {
		how = "what you allowed is asked, nothing else is sent"
	}
	s.talk.say("Listening on %s, 20 s each at most; %s.", count(len(s.ports), "port"), how)
	r := acquire.Recogniser{Each: s.Each, Request: s.Request}
	if s.Modbus {
		r.Modbus = s.search()
	}
	return s.listen(ctx, r, s.ports)
}

func (s *setup) listen(ctx context.Context, r acquire.Recogniser, ports []*setupPort) error {
	done := make(chan struct{})
	go s.showProgress(done, ports)
	var all sync.WaitGroup
	for _, p := range ports {
		all.Go(func() {
			start := time.Now()
			own := r
			own.Progress = p.progress
			p.progress("opening")
			p.got, p.err = own.Port(ctx, p.path)
			p.progress("")
			s.talk.say("%s: %s (%.1f s)", p.path, p.words(), time.Since(start).Seconds())
		})
	}
	all.Wait()
	close(done)
	return ctx.Err()
}

// showProgress tells now and then what is being tried.
func (s *setup) showProgress(done <-chan struct{}, ports []*setupPort) {
	tick := time.NewTicker(2 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-done:
			return
		case <-tick.C:
		}
		var open []string
		for _, p := range ports {
			p.mu.Lock()
			if p.trying != "" {
				open = append(open, fmt.Sprintf("%s (%s)", p.path, p.trying))
			}
			p.mu.Unlock()
		}
		if len(open) > 0 {
			s.talk.say("  … %d of %d done; still at %s", len(ports)-len(open), len(ports), strings.Join(open, ", "))
		}
	}
}

// words are what is known of a port.
func (p *setupPort) words() string {
	var e *acquire.PortError
	switch {
	case errors.As(p.err, &e):
		return fmt.Sprintf("it %s; %s", e.What, e.Fix)
	case errors.Is(p.err, acquire.ErrSilent):
		return "silent"
	case errors.Is(p.err, acquire.ErrUnknown):
		return fmt.Sprintf("it speaks, but not in a way that is known; best at %d %s: %q; look up its format in its manual", p.got.Talk.Baud, p.got.Talk.Frame, p.got.Text())
	case p.err != nil:
		return p.err.Error()
	}
	var what []string
	for _, f := range p.got.Found {
		what = append(what, rowOfFound(f).words())
	}
	return strings.Join(what, "; and ")
}

// search is what silent ports are asked.
func (s *setup) search() *acquire.ModbusSearch {
	m := acquire.DefaultModbusSearch()
	if len(s.UnitID) > 0 {
		m.Units = s.UnitID
	}
	if len(s.Register) > 0 {
		m.Registers = s.Register
	}
	return m
}

// silentOnes asks what to do about ports on which nothing came, as long as
// there are such and somebody knows more.
func (s *setup) silentOnes(ctx context.Context) error {
	for {
		var silent []*setupPort
		var names []string
		for _, p := range s.ports {
			if errors.Is(p.err, acquire.ErrSilent) {
				silent, names = append(silent, p), append(names, p.path)
			}
		}
		if len(silent) == 0 || s.Yes {
			return nil
		}
		answer, err := s.talk.ask("Silent: %s. One that speaks at a press of its key: answer p, then press it every second. One that speaks when asked by Modbus RTU: answer a; that reads registers and changes none, but an instrument of another kind might take it for a command. Else press Enter.", strings.Join(names, ", "))
		if err != nil {
			return err
		}
		r := acquire.Recogniser{Each: s.Each}
		switch strings.ToLower(answer) {
		case "p":
			r.Pressed = true
		case "a":
			r.Modbus = s.search()
		default:
			return nil
		}
		for _, p := range silent {
			p.pressed = r.Pressed
		}
		if err := s.listen(ctx, r, silent); err != nil {
			return err
		}
	}
}
