package virtual

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
)

// sink takes lines at the moment of their arrival, in order of time.
type sink interface {
	put(line) error
}

// bench is the world going on: crank, probes and instruments on one clock that
// only advance moves.
type bench struct {
	truth   Truth
	now     float64 // virtual seconds since switch-on
	crank   crank
	probes  []probe
	encoder sampler
	inds    []indicator
	pending []line // on their way, by arrival
	sink    sink
	muted   []bool // by port: says nothing

	offsetDeg           float64 // encoder's zero in this mount
	reclockDeg          float64
	mount, setups       int
	onCylinder, inSetup []int        // by indicator
	heads               []*headStand // by indicator; nil: it is on the engine, or lies about
}

type indicator struct {
	sampler
	Indicator
	plunger Plunger
	noise   *rand.Rand
	last    string
}

func newBench(t Truth, s sink) (*bench, error) {
	if err := t.check(); err != nil {
		return nil, err
	}
	t = Derive(t)
	b := &bench{truth: t, sink: s, offsetDeg: t.Encoder.OffsetDeg, mount: 1}
	b.crank = crank{angleDeg: t.Encoder.StartDeg, encoderDeg: t.Encoder.StartDeg, lashDeg: t.Encoder.LashDeg, direction: 1}
	base := 0.001 // s; more where an indicator is faster than the encoder
	for _, i := range t.Indicators {
		base = max(base, 0.001-i.LatencyMS/1000)
	}
	b.encoder = newSampler(stream(t.Seed, "encoder"), t.Encoder.RateHz, base, t.Encoder.JitterMS/1000)
	for _, i := range t.Indicators {
		ind := indicator{Indicator: i, plunger: Plunger{Faults: i.IndicatorFaults}, noise: stream(t.Seed, "noise "+i.Name)}
		ind.sampler = newSampler(stream(t.Seed, "rhythm "+i.Name), i.RateHz, base+i.LatencyMS/1000, i.JitterMS/1000)
		b.inds = append(b.inds, ind)
		b.probes = append(b.probes, probe{travel: i.TravelMM})
	}
	b.muted = make([]bool, 1+len(b.inds))
	b.onCylinder, b.inSetup, b.heads = make([]int, len(b.inds)), make([]int, len(b.inds)), make([]*headStand, len(b.inds))
	return b, nil
}

// advance lets seconds pass while the crank turns by deg at even speed.
func (b *bench) advance(seconds, deg float64) error {
	end, from, start := b.now+seconds, b.now, b.crank.angleDeg
	for {
		t := min(end, b.nextEvent())
		if seconds > 0 {
			b.turnTo(start + deg*(t-from)/seconds)
		}
		b.now = t
		if t >= end {
			return nil
		}
		if err := b.happen(); err != nil {
			return err
		}
	}
}

func (b *bench) turnTo(deg float64) {
	b.crank.move(deg - b.crank.angleDeg)
	for i := range b.probes {
		b.probes[i].follow(&b.crank)
		if b.inds[i].HysteresisMM > 0 && b.heads[i] == nil {
			mm, _ := b.probes[i].displayMM(&b.crank, b.now)
			b.shown(i, mm)
		}
	}
}

func (b *bench) nextEvent() float64 {
	t := b.encoder.next
	for i := range b.inds {
		t = min(t, b.inds[i].next)
	}
	if len(b.pending) > 0 {
		t = min(t, b.pending[0].at)
	}
	return t
}

// happen does what is due now: lines that arrive, then instruments that look.
func (b *bench) happen() error {
	for len(b.pending) > 0 && b.pending[0].at <= b.now {
		l := b.pending[0]
		b.pending = b.pending[1:]
		l.muted = b.muted[l.port]
		if err := b.sink.put(l); err != nil {
			return err
		}
	}
	if b.encoder.next <= b.now {
		b.lookEncoder()
	}
	for i := range b.inds {
		if b.inds[i].next <= b.now {
			b.lookIndicator(i)
		}
	}
	return nil
}

// count is the encoder's count now.
func (b *bench) count() int64 {
	e := b.truth.Encoder
	disc := e.encoderAngle(b.crank.encoderDeg, b.offsetDeg, b.reclockDeg)
	n := int64(math.Round(disc * float64(e.CountsPerRev) / 360))
	if e.Direction < 0 {
		return -n
	}
	return n
}

// angleDeg is what a count says, in running direction.
func (b *bench) angleDeg(count float64) float64 {
	if b.truth.Encoder.Direction < 0 {
		count = -count
	}
	return count * 360 / float64(b.truth.Encoder.CountsPerRev)
}

func (b *bench) lookEncoder() {
	n := b.count()
	b.send(line{at: b.encoder.arrival(b.now), port: 0, looked: b.now, text: countLine(n), number: strconv.FormatInt(n, 10), value: float64(n)})
	b.encoder.schedule()
}

func (b *bench) lookIndicator(i int) {
	ind := &b.inds[i]
	mm, contact, show := b.display(i)
	noise, spike, stuck := ind.noise.NormFloat64()*ind.NoiseMM, ind.noise.Float64(), ind.noise.Float64()
	if !contact {
		noise = 0
	}
	text := displayText(show+noise, ind.Unit, ind.Step)
	if stuck < ind.StuckShare && ind.last != "" {
		text = ind.last
	}
	ind.last = text
	if spike < ind.SpikeShare && contact {
		text = corrupt(ind.noise, text)
	}
	b.send(line{at: ind.arrival(b.now), port: 1 + i, looked: b.now, text: text + " " + ind.Unit + "\r\n", number: text, unit: ind.Unit,
		value: readText(text, ind.Unit), contact: contact && mm > b.probes[i].setup.ZeroMM-ind.TravelMM+0.02})
	ind.schedule()
}

// display is what a true indicator would show, whether the plunger touches, and
// what this one shows, without noise and steps.
func (b *bench) display(i int) (mm float64, contact bool, show float64) {
	if b.heads[i] != nil {
		mm = b.onHead(i)
		return mm, b.heads[i].placeMM() > 0, mm
	}
	mm, contact = b.probes[i].displayMM(&b.crank, b.now)
	return mm, contact, b.shown(i, mm)
}

// shown is what an indicator's own faults make of the display that a true one
// would have, mm. Both stand at the setup's zero on the top, moving in.
func (b *bench) shown(i int, mm float64) float64 {
	ind := &b.inds[i]
	if ind.none() {
		return mm
	}
	zero := b.probes[i].setup.ZeroMM
	return zero + ind.plunger.MoveTo(mm-zero+ind.TravelMM) - ind.movedIn(ind.TravelMM)
}

// restMM is what a display shows on its plunger's resting stop, come to from
// within, by its last digit.
func (b *bench) restMM(i int) float64 {
	ind, zero := &b.inds[i], b.probes[i].setup.ZeroMM
	return readText(displayText(zero+ind.movedOut(0)-ind.movedIn(ind.TravelMM), ind.Unit, ind.Step), ind.Unit)
}

func (b *bench) send(l line) {
	at, _ := slices.BinarySearchFunc(b.pending, l, func(a, b line) int {
		if c := cmp.Compare(a.at, b.at); c != 0 {
			return c
		}
		return -1 // after its equals
	})
	b.pending = slices.Insert(b.pending, at, l)
}
