package acquire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"crownmark/acquire/wire"
)

// Recogniser finds out what speaks on a port. It listens; only where it is
// told so it asks.
type Recogniser struct {
	Each     time.Duration // so long at each speed
	Most     time.Duration // altogether at most; 0: 20 s
	Request  string        // asks for a reading; "": nothing of the kind is sent
	Modbus   *ModbusSearch // what a silent port may be asked; nil: nothing
	Pressed  bool          // somebody presses a key: it speaks now and then
	Progress func(string)  // told what is being tried; nil: nobody is
}

// Recognised is what stands at a port.
type Recognised struct {
	Found []Found // one, or two that share it; none: nothing known
	Talk  Talk    // the best that was heard
}

// Text is the last that was heard, for people.
func (r Recognised) Text() string { return r.Talk.text() }

const recogniseMost = 20 * time.Second

// ErrSilent is what a Recogniser says of a port on which nothing came,
// ErrUnknown of one that says what no format explains.
var (
	ErrSilent  = errors.New("nothing was heard")
	ErrUnknown = errors.New("what it says is in no known format")
)

// likelySpeeds are tried in this order.
var likelySpeeds = [...]int{9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200, 230400}

// silentAfter: a port on which so many speeds brought no byte is silent.
const silentAfter = 4

// readingsFew are enough to believe.
const readingsFew = 2

// Port finds out what speaks on a port. The error is ErrSilent, ErrUnknown, a
// *PortError or the context's.
func (r Recogniser) Port(ctx context.Context, path string) (out Recognised, err error) {
	most := r.Most
	if most == 0 {
		most = recogniseMost
	}
	own, stop := context.WithTimeout(ctx, most)
	defer stop()
	out, err = r.open(own, path)
	if err != nil && own.Err() != nil && ctx.Err() == nil { // the time is over
		err = fmt.Errorf("port %s: %w", path, ErrSilent)
		if out.Talk.Bytes > 0 {
			err = fmt.Errorf("port %s: %w", path, ErrUnknown)
		}
	}
	for i := range out.Found {
		c := &out.Found[i].Config
		if c.Port = path; r.Request != "" {
			c.Request, c.IntervalMS = r.Request, 50
		}
	}
	return out, err
}

// open opens the port once for all that is tried.
func (r Recogniser) open(ctx context.Context, path string) (out Recognised, err error) {
	shape, err := wire.ParseSerial("8N1")
	if err != nil {
		return out, err
	}
	p, err := openPort(defaultPortSys(), path, likelySpeeds[0], shape, listenStep)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, p.close()) }()
	out, err = r.listen(ctx, p)
	if errors.Is(err, ErrSilent) && r.Modbus != nil {
		out.Found, err = r.Modbus.find(ctx, p, r.tell)
	}
	return out, err
}

func (r Recogniser) tell(text string) {
	if r.Progress != nil {
		r.Progress(text)
	}
}

// listen walks through the speeds. With eight bits and no parity every frame is
// heard: seven bits show their parity as the eighth, and one that comes where
// the stop bit should is passed over.
func (r Recogniser) listen(ctx context.Context, p *port) (out Recognised, err error) {
	for n, baud := range r.speeds() {
		frames := []string{"8N1"}
		for i := 0; i < len(frames); i++ {
			l, found, err := r.hear(ctx, p, baud, frames[i])
			if better := l.talk.Bytes > 0 && (out.Talk.Bytes == 0 || len(found) > 0); better {
				out.Talk, out.Found = l.talk, found
			}
			if err != nil || len(found) > 0 {
				return out, err
			}
			if i == 0 && r.Request != "" && l.talk.Bytes == 0 { // it understands its own frame only
				frames = append(frames, "7E1", "7O1")
			}
		}
		if n == silentAfter-1 && out.Talk.Bytes == 0 && r.Request == "" && !r.Pressed {
			break
		}
	}
	if out.Talk.Bytes == 0 {
		return out, fmt.Errorf("port %s: %w", p.path, ErrSilent)
	}
	return out, fmt.Errorf("port %s: %w", p.path, ErrUnknown)
}

// speeds begin with the first two twice: a device that starts anew when its port
// is opened may be silent for two seconds.
func (r Recogniser) speeds() []int {
	if r.Request != "" {
		return likelySpeeds[:]
	}
	return append(slices.Clone(likelySpeeds[:2]), append(slices.Clone(likelySpeeds[:2]), likelySpeeds[2:]...)...)
}

// hear listens at one speed and frame; longer where a slow instrument has said
// too little. It is never cut short: another instrument may share the port and
// speak more seldom.
func (r Recogniser) hear(ctx context.Context, p *port, baud int, frame string) (l listening, found []Found, err error) {
	r.tell(fmt.Sprintf("%d %s", baud, frame))
	l = listening{talk: Talk{Baud: baud, Frame: frame}}
	if r.Request != "" {
		l.request = []byte(r.Request)
	}
	if err = l.on(ctx, p, r.Each); err != nil {
		return l, nil, err
	}
	found = recognise(&l.talk)
	if n := readings(found); n > 0 && n < readingsFew {
		more := l
		more.talk = Talk{Baud: baud, Frame: frame}
		if err = more.on(ctx, p, 3*r.Each); err != nil {
			return l, nil, err
		}
		l, found = more, recognise(&more.talk)
	}
	if readings(found) < readingsFew {
		found = nil
	}
	return l, found, nil
}

func readings(found []Found) (n int) {
	for _, f := range found {
		n += f.Readings
	}
	return n
}
