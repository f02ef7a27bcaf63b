package virtual

import (
	"math"
	"math/rand/v2"
	"strconv"
)

// line is one line on its way from an instrument to its reader.
type line struct {
	at      float64 // arrival of the first byte, virtual seconds
	port    int     // 0 the encoder, 1 … the indicators
	looked  float64 // when its instrument looked
	text    string  // with its line end
	number  string  // in it
	unit    string  // in it, "" of a count
	value   float64 // counts, or mm as a reader of the text would take it
	contact bool
	muted   bool // its time passes, but it is not said
}

// sampler is the rhythm of one instrument: when it looks and how much later
// its line arrives.
type sampler struct {
	rng     *rand.Rand
	hz      float64
	phase   float64 // of its first look
	n       int64
	next    float64 // when it looks next
	delay   float64 // s
	jitter  float64 // s
	arrived float64 // its last line
}

func newSampler(rng *rand.Rand, hz, delay, jitter float64) sampler {
	s := sampler{rng: rng, hz: hz, phase: rng.Float64() / hz, delay: delay, jitter: jitter}
	s.next = s.phase
	return s
}

// schedule sets the next look: one period on, a twentieth of it to and fro.
func (s *sampler) schedule() {
	s.n++
	s.next = s.phase + (float64(s.n)+0.1*(s.rng.Float64()-0.5))/s.hz
}

// arrival is when the line of a look at t reaches the port: never before the
// look, never before the line ahead of it.
func (s *sampler) arrival(t float64) float64 {
	at := max(t+s.delay+s.jitter*s.rng.NormFloat64(), t, s.arrived+1e-5)
	s.arrived = at
	return at
}

// countLine is how a counter says a count.
func countLine(count int64) string { return strconv.FormatInt(count, 10) + "\r\n" }

// digits is how many decimals a display of that step and unit shows.
func digits(unit string, step float64) int {
	n := 3
	if unit == "in" {
		n = 4
	}
	for ; n < 7 && math.Abs(step*math.Pow10(n)-math.Round(step*math.Pow10(n))) > 1e-6; n++ {
	}
	return n
}

// displayText is what the display shows: sign, four digits, point, decimals.
//
//	+0012.345 mm        −12.345 mm is "-0012.345 mm"
//	+0000.4860 in
func displayText(mm float64, unit string, step float64) string {
	v := mm
	if unit == "in" {
		v = mm / 25.4
	}
	v = math.Round(v/step) * step
	n := digits(unit, step)
	sign := "+"
	if v < 0 {
		sign = "-"
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', n, 64)
	for len(s) < n+5 {
		s = "0" + s
	}
	if sign == "-" && math.Abs(v) < step/2 {
		sign = "+"
	}
	return sign + s
}

// readText is what an honest reader takes the display's text for, in mm.
func readText(text, unit string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return math.NaN() // displayText and corrupt make numbers only
	}
	if unit == "in" {
		return v * 25.4
	}
	return v
}

// corrupt is a reading gone wrong on its way: a wrong digit, a digit lost, or
// the sign turned.
func corrupt(r *rand.Rand, text string) string {
	b := []byte(text)
	at := 3 + r.IntN(len(b)-3)
	if b[at] == '.' {
		at++
	}
	switch kind := r.IntN(10); {
	case kind < 7:
		b[at] = '0' + byte((int(b[at]-'0')+1+r.IntN(9))%10)
	case kind < 9:
		b = append(b[:at], b[at+1:]...)
	default:
		b[0] = '+' + '-' - b[0]
	}
	return string(b)
}
