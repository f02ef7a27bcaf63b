package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"crownmark/acquire"
)

type setupCmd struct {
	Port         []string      `arg:"" optional:"" help:"Ports to listen on; all free ones of this machine if left out."`
	Out          string        `default:"bench.toml" placeholder:"FILE" help:"Bench file to write (${default})."`
	Overwrite    bool          `help:"Replace the file if it is there."`
	Each         time.Duration `default:"1s" help:"Listen so long at each likely speed; 20 s a port at most."`
	Yes          bool          `help:"For scripts: put no questions. Needs --counts-per-rev; directions stay unconfirmed."`
	CountsPerRev float64       `placeholder:"N" help:"The encoder's counts for one turn of the crank."`
	Name         []string      `placeholder:"NAME" help:"The indicators' names, in the order in which they are pushed (with --yes: found)."`
	Request      string        `help:"Bytes (Go escapes) that ask an instrument for a reading; sent to every port named."`
	Modbus       bool          `help:"Ask silent ports by Modbus RTU: it reads registers and changes none."`
	UnitID       []int         `placeholder:"N" help:"Modbus units to ask; 1 to 5 if left out."`
	Register     []int         `placeholder:"N" help:"Modbus registers to ask for; likely ones if left out."`
}

// Help is shown below the flags.
func (setupCmd) Help() string {
	return `It listens on every port at the likely speeds and sends nothing (opening a port sets its speed and raises its control lines, no more), finds out what speaks there, asks you to push a plunger and to turn the crank to tell indicators from the encoder and to learn their directions, and writes a bench file with comments.

An instrument that speaks only when asked stays silent; with --modbus or --request, or where you agree, it is asked. Such a question changes no register, but an instrument of another kind might take it for a command. Ports that a program holds are left alone.`
}

// Validate is called once the flags are read.
func (c setupCmd) Validate() error {
	switch {
	case c.Each < 100*time.Millisecond || c.Each > 5*time.Second:
		return fmt.Errorf("--each=%v cannot be; write from 100ms to 5s", c.Each)
	case c.Yes && !(c.CountsPerRev > 0):
		return errors.New("--yes needs --counts-per-rev=N: how many counts one turn of the crank gives cannot be heard")
	case c.CountsPerRev < 0 || c.CountsPerRev > 1e9:
		return fmt.Errorf("--counts-per-rev=%g cannot be; write the counts for one turn of the crank, such as 7200", c.CountsPerRev)
	case c.Request != "" && len(c.Port) == 0:
		return errors.New("--request is sent to the ports that you name; name them")
	}
	if _, err := unescape(c.Request); err != nil {
		return fmt.Errorf("--request=%q cannot be read; write plain letters and Go escapes, such as \\x05 or R\\r", c.Request)
	}
	for _, u := range c.UnitID {
		if u < 1 || u > 247 {
			return fmt.Errorf("--unit-id=%d cannot be; write 1 to 247, as set at the instrument", u)
		}
	}
	for _, r := range c.Register {
		if r < 0 || r > 0xFFFF {
			return fmt.Errorf("--register=%d cannot be; write 0 to 65535", r)
		}
	}
	return nil
}

// setup is one run of the command.
type setup struct {
	setupCmd
	talk  dialogue
	ports []*setupPort
	all   []*setupInstrument
}

// setupInstrument is an instrument that was recognised, and what has been
// learnt of it since.
type setupInstrument struct {
	acquire.Found
	rest      [][]byte // what it said at rest
	pressed   bool     // it speaks at a press of its key
	confirmed bool     // that it moved when it should
	measured  bool     // counts_per_rev is from one turn by hand
}

// Run recognises the instruments and writes the bench file.
func (c setupCmd) Run(ctx context.Context, std stdio) error {
	if !c.Overwrite {
		if _, err := os.Lstat(c.Out); err == nil {
			return fmt.Errorf("%s: it is there already; name another file with --out, or say --overwrite", c.Out)
		}
	}
	if err := canWriteBeside(c.Out); err != nil { // before anybody has taken pains
		return err
	}
	c.Request, _ = unescape(c.Request) // checked before
	s := &setup{setupCmd: c, talk: newDialogue(ctx, std)}
	if err := s.choosePorts(); err != nil {
		return err
	}
	if err := s.recognise(ctx); err != nil {
		return err
	}
	if err := s.silentOnes(ctx); err != nil {
		return err
	}
	if err := s.gather(); err != nil {
		return err
	}
	if err := s.tellApart(ctx); err != nil {
		return err
	}
	if err := s.whoIsWho(); err != nil {
		return err
	}
	return s.write()
}

// gather takes the instruments of all ports.
func (s *setup) gather() error {
	for _, p := range s.ports {
		for _, f := range p.got.Found {
			s.all = append(s.all, &setupInstrument{Found: f, pressed: p.pressed})
		}
	}
	switch len(s.all) {
	case 0:
		return errors.New("no instrument was recognised; see above what each port lacks, mend it, and start setup again")
	case 1:
		return fmt.Errorf("only one instrument was recognised (%s); a bench has an encoder and an indicator: see above what the other ports lack", s.all[0].Config.Port)
	}
	return nil
}

// whoIsWho settles kinds that neither dress nor moves have told, and names.
func (s *setup) whoIsWho() error {
	encoders := slices.DeleteFunc(slices.Clone(s.all), func(i *setupInstrument) bool { return i.Kind != acquire.KindEncoder })
	if len(encoders) > 1 {
		return fmt.Errorf("%s and %s both seem to be encoders; start setup again with only the ports of one bench", encoders[0].Config.Port, encoders[1].Config.Port)
	}
	for _, i := range s.all {
		if i.Kind == "" && len(encoders) == 0 {
			encoders = append(encoders, i)
			i.become(acquire.KindEncoder)
		} else if i.Kind == "" {
			i.become(acquire.KindIndicator)
		}
		if i.Kind == acquire.KindIndicator && i.Config.Name == "" {
			i.Config.Name = s.nextName()
		}
	}
	switch {
	case len(encoders) == 0:
		return errors.New("no encoder was recognised among the instruments; see above what the other ports lack, and start setup again")
	case len(encoders) == len(s.all):
		return errors.New("no indicator was recognised among the instruments; see above what the other ports lack, and start setup again")
	}
	return s.counts(encoders[0])
}

// nextName is the name of the next indicator that is told from the others.
func (s *setup) nextName() string {
	n := 0
	for _, i := range s.all {
		if i.Config.Name != "" {
			n++
		}
	}
	usual := []string{"left", "right"}
	switch {
	case n < len(s.Name):
		return s.Name[n]
	case n < len(usual):
		return usual[n]
	}
	return fmt.Sprintf("indicator %d", n+1)
}
