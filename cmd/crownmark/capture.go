package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"syscall"
	"time"

	"crownmark/acquire"
	"crownmark/acquire/replay"
	"crownmark/acquire/wire"
)

type captureCmd struct {
	File       string        `arg:"" help:"File to write; it must not be there yet."`
	Config     string        `xor:"port" placeholder:"FILE" help:"Bench file: all its ports are captured."`
	Port       string        `xor:"port" placeholder:"PORT" help:"One port, without a bench file."`
	Baud       int           `default:"9600" help:"Its speed."`
	Frame      string        `default:"8N1" help:"Its frame."`
	Request    string        `help:"Bytes that ask it for a reading (Go escapes)."`
	IntervalMS int           `name:"interval-ms" default:"20" help:"How often to ask."`
	For        time.Duration `help:"End after this time; with Ctrl-C if left out."`
}

// Help is shown below the flags.
func (captureCmd) Help() string {
	return `The file is text: a line for each read of a port, with its time and its bytes in quotes. A port that goes away is waited for. End "crownmark run" first: a port has one reader. "crownmark replay" plays the file.`
}

// Validate is called once the flags are read.
func (c captureCmd) Validate() error {
	if c.Config == "" && c.Port == "" {
		return errors.New("nothing to capture: give --config FILE or --port PORT")
	}
	if c.For < 0 {
		return fmt.Errorf("--for=%v cannot be; write a time above zero", c.For)
	}
	if _, err := wire.ParseSerial(c.Frame); err != nil {
		return fmt.Errorf("--frame: %w", err)
	}
	if c.Baud <= 0 {
		return fmt.Errorf("--baud=%d cannot be; write the speed set at the instrument, such as 9600", c.Baud)
	}
	if c.IntervalMS < 1 || c.IntervalMS > 60_000 {
		return fmt.Errorf("--interval-ms=%d cannot be; write 1 to 60000", c.IntervalMS)
	}
	return nil
}

func (c captureCmd) instruments() ([]acquire.InstrumentConfig, error) {
	if c.Config != "" {
		b, err := readBench(c.Config)
		if err != nil {
			return nil, err
		}
		all := slices.DeleteFunc(append([]acquire.InstrumentConfig{b.config().Encoder}, b.config().Indicators...), acquire.InstrumentConfig.ByEye)
		if len(all) == 0 {
			return nil, fmt.Errorf("%s: none of its instruments speaks; there is nothing to capture", c.Config)
		}
		return all, nil
	}
	request, err := unescape(c.Request)
	if err != nil {
		return nil, fmt.Errorf("--request=%q cannot be read; write plain letters and Go escapes, such as \\x05 or R\\r", c.Request)
	}
	return []acquire.InstrumentConfig{{Name: "port", Port: c.Port, Baud: c.Baud, Frame: c.Frame, Request: request, IntervalMS: c.IntervalMS}}, nil
}

// Run captures until the time is over or it is told to end.
func (c captureCmd) Run(ctx context.Context, std stdio) (err error) {
	instruments, err := c.instruments()
	if err != nil {
		return err
	}
	f, err := os.OpenFile(c.File, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s: it is there already; name another file", c.File)
	} else if err != nil {
		return cannotWrite(c.File, err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if c.For > 0 {
		var end context.CancelFunc
		ctx, end = context.WithTimeout(ctx, c.For)
		defer end()
	}
	n, err := capturing(ctx, f, std.out, instruments)
	if n == 0 && err != nil {
		return errors.Join(err, os.Remove(c.File))
	}
	fmt.Fprintf(std.out, "%s: %s\n", c.File, count(n, "event"))
	return err
}

// capturing writes what comes, and tells of ports that go and come back.
func capturing(ctx context.Context, f, out io.Writer, instruments []acquire.InstrumentConfig) (n int, err error) {
	notes := []string{software() + ", begun " + time.Now().UTC().Format(time.RFC3339)}
	ports := acquire.CapturePorts(instruments)
	w, err := replay.NewWriter(f, false, notes, ports)
	if err != nil {
		return 0, err
	}
	err = acquire.Capture(ctx, instruments, func(e replay.Event) error {
		n++
		switch e.Kind {
		case replay.Gone:
			fmt.Fprintf(out, "%s went away after %.1f s; it is waited for\n", ports[e.Port].Name, float64(e.AtNS)/1e9)
		case replay.Back:
			fmt.Fprintf(out, "%s is back\n", ports[e.Port].Name)
		}
		return w.Write(e)
	})
	return n, err
}

type replayCmd struct {
	File  string        `arg:"" help:"File that crownmark capture wrote."`
	Speed float64       `default:"1" help:"That many times as fast."`
	After time.Duration `default:"2s" help:"Wait so long first, for a reader to open the ports."`
	Dir   string        `placeholder:"DIR" help:"Folder for the ports' names; a temporary one if left out."`
}

// Help is shown below the flags.
func (replayCmd) Help() string {
	return `It names a pseudo-terminal for each port of the file; put these names into a bench file, or read them with any program. Ports go away and come back as they did. It ends with the file.`
}

// Validate is called once the flags are read.
func (c replayCmd) Validate() error {
	if !(c.Speed > 0) || c.Speed > 1000 {
		return fmt.Errorf("--speed=%g cannot be; write a number above 0 up to 1000", c.Speed)
	}
	if c.After < 0 || c.After > time.Hour {
		return fmt.Errorf("--after=%v cannot be; write a time from 0s to 1h", c.After)
	}
	return nil
}

// captureMost bounds what is read into memory: half a day of a usual bench.
const captureMost = 256 << 20

// Run plays a file.
func (c replayCmd) Run(ctx context.Context, std stdio) (err error) {
	f, err := os.Open(c.File)
	if err != nil {
		return cannotRead(c.File, err)
	}
	defer f.Close()
	switch info, err := f.Stat(); {
	case err != nil:
		return cannotRead(c.File, err)
	case info.IsDir():
		return cannotRead(c.File, syscall.EISDIR)
	case info.Size() > captureMost:
		return fmt.Errorf("%s: %d MB are more than can be played at once (%d MB); cut the file into parts, each with the lines at the top that name the ports", c.File, info.Size()>>20, captureMost>>20)
	}
	capture, err := replay.Read(f)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	p, err := replay.NewPlayer(capture, replay.Options{Speed: c.Speed, Dir: c.Dir})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, p.Close()) }()
	if capture.Simulated {
		fmt.Fprintln(std.out, "SIMULATED: what this file says was said by no real instrument")
	}
	for n, port := range capture.Ports {
		fmt.Fprintf(std.out, "%s: %s, %d %s\n", port.Name, p.Path(n), port.Baud, port.Frame)
	}
	select {
	case <-time.After(c.After):
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := p.Run(ctx); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s: played, %s\n", c.File, count(len(capture.Events), "event"))
	return nil
}
