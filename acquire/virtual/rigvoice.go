package virtual

import (
	"bytes"
	"fmt"
)

// speak takes the voices from the options.
func (r *Rig) speak(o RigOptions) error {
	n := 1 + len(r.bench.inds)
	r.voices, r.homes = make([]Voice, n), make([]int, n)
	r.ports, r.latest, r.asked = make([]*PTY, n), make([]line, n), make([][]byte, n)
	if r.said = o.Said; r.said == nil {
		r.said = func(string, string) {}
	}
	for i := range r.homes {
		r.homes[i] = i
	}
	for name, v := range o.Voices {
		i, err := r.port(name)
		if err != nil {
			return err
		}
		if err := v.check(); err != nil {
			return err
		}
		if r.voices[i] = v; v.Port == "" {
			continue
		}
		if r.homes[i], err = r.port(v.Port); err != nil {
			return err
		}
		if o.Voices[v.Port].Port != "" {
			return fmt.Errorf("virtual bench: %s shares a port with %s, which shares another's: name that one", name, v.Port)
		}
	}
	return nil
}

// asked tells whether the instrument waits for questions.
func (v Voice) asked() bool { return v.Asked != "" || v.Format == voiceModbus }

// hear takes what a reader sends and lets the instruments of the port answer.
// A question has come when its last byte has; what is none is forgotten.
func (r *Rig) hear(port int, b []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if p, shape := r.ports[port], r.voices[port].Shape; p != nil && shape != (Shape{}) {
		if reader, ok := shapeOf(p.slave, shape); ok {
			b = shape.receive(b, reader)
		}
	}
	for _, c := range b {
		r.asked[port] = append(r.asked[port], c)
		for i, home := range r.homes {
			if home == port && r.reply(i, r.asked[port]) {
				r.asked[port] = r.asked[port][:0]
				break
			}
		}
	}
	if q := r.asked[port]; len(q) > 64 {
		r.asked[port] = q[:0]
	}
}

// reply lets an instrument answer what was heard, if it is meant. A port that
// is gone meanwhile says nothing.
func (r *Rig) reply(i int, heard []byte) bool {
	v, l := r.voices[i], &r.latest[i]
	silent := l.number == "" || l.muted
	if v.Format == voiceModbus {
		if len(heard) < 8 {
			return false
		}
		b := v.answer(heard[len(heard)-8:], l.number)
		switch {
		case b == nil, b[1] != v.Function && r.another(i):
			return false
		case silent:
			return true
		case b[1] == v.Function:
			r.said(r.name(i), l.number)
		}
		_ = r.say(i, b)
		return true
	}
	if v.Asked == "" || !bytes.HasSuffix(heard, []byte(v.Asked)) {
		return false
	}
	if !silent {
		_ = r.tell(i)
	}
	return true
}

// another tells whether a later instrument answers as the same unit of the
// same port: the last one refuses for all.
func (r *Rig) another(i int) bool {
	for n := i + 1; n < len(r.homes); n++ {
		if v := r.voices[n]; r.homes[n] == r.homes[i] && v.Format == voiceModbus && v.Unit == r.voices[i].Unit {
			return true
		}
	}
	return false
}

func (r *Rig) press(instrument string) error {
	i, err := r.port(instrument)
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.voices[i].Pedal {
		return fmt.Errorf("virtual bench: %s has no pedal: give its voice one", instrument)
	}
	if r.latest[i].number == "" {
		return nil // it has not looked yet
	}
	return r.tell(i)
}
