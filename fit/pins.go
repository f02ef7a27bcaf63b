package fit

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"crownmark/fit/engine"
)

// What is the crank's and what is not. Rods on one crankpin share whatever the
// crank does; where their pistons still differ it is the block or the pistons.
// What all of a bank share is the block's, as far as the crank cannot do it.

// PinResult is one crankpin that carries more than one rod.
type PinResult struct {
	Cylinders []int `json:"cylinders"`
	// CrankDeg: the pin's deviation from the best common zero, the mean of its
	// cylinders: the crank's. nil until all of them are measured.
	CrankDeg      *float64 `json:"crank_deg"`
	CrankU95Deg   *float64 `json:"crank_u95_deg"`
	CrankpinMM    *float64 `json:"crankpin_mm"`
	CrankpinU95MM *float64 `json:"crankpin_u95_mm"`
	Apart         []Apart  `json:"apart"` // each other cylinder against the first: block or pistons
}

// Apart is how much later a cylinder comes than the first on the same pin,
// nominal places and pin offsets taken out.
type Apart struct {
	Cylinder int      `json:"cylinder"`
	From     int      `json:"from"`
	Deg      *float64 `json:"deg"`
	U95Deg   *float64 `json:"u95_deg"`
}

// BankResult is one bank's mean deviation from the best common zero, and how
// much later that is than the first bank's.
type BankResult struct {
	Name        string   `json:"name"`
	Cylinders   []int    `json:"cylinders"`
	MeanDeg     *float64 `json:"mean_deg"`
	MeanU95Deg  *float64 `json:"mean_u95_deg"`
	ApartDeg    *float64 `json:"apart_deg"` // nil for the first bank
	ApartU95Deg *float64 `json:"apart_u95_deg"`
	// CrankFallsOut: every pin carries as many rods of this bank as of the first,
	// so that the crank has no part in ApartDeg.
	CrankFallsOut bool `json:"crank_falls_out"`
}

// mean has the coefficients of the members' mean, and the mean; not ok unless
// all of them are measured.
func (t *throws) mean(members []int) (c []float64, mean float64, ok bool) {
	c = make([]float64, len(t.number))
	for _, n := range members {
		k := slices.Index(t.number, n)
		if k < 0 {
			return nil, 0, false
		}
		c[k] = 1 / float64(len(members))
		mean += t.err[k] / float64(len(members))
	}
	return c, mean, true
}

func minus(a, b []float64) []float64 {
	out := make([]float64, len(a))
	for i := range a {
		out[i] = a[i] - b[i]
	}
	return out
}

func (j *job) writePins(doc *Index, t *throws, zero float64, g []float64) {
	radius := j.in.Engine.StrokeMM / 2 * math.Pi / 180
	for _, pin := range j.in.Engine.SharedPins {
		p := PinResult{Cylinders: pin, Apart: []Apart{}}
		if c, mean, ok := t.mean(pin); ok {
			u95 := t.u95(minus(c, g))
			p.CrankDeg, p.CrankU95Deg = ptr(mean-zero), ptr(u95)
			p.CrankpinMM, p.CrankpinU95MM = ptr(radius*(mean-zero)), ptr(radius*u95)
		}
		first, firstErr, haveFirst := t.mean(pin[:1])
		for i := 1; i < len(pin); i++ {
			a := Apart{Cylinder: pin[i], From: pin[0]}
			if c, err, ok := t.mean(pin[i : i+1]); ok && haveFirst {
				a.Deg, a.U95Deg = ptr(err-firstErr), ptr(t.u95(minus(c, first)))
			}
			p.Apart = append(p.Apart, a)
		}
		doc.Pins = append(doc.Pins, p)
	}
}

func (j *job) writeBanks(doc *Index, t *throws, zero float64, g []float64) {
	banks := j.in.Engine.Bank
	if len(banks) == 0 {
		return
	}
	first, firstMean, haveFirst := t.mean(banks[0].Cylinders)
	for i, b := range banks {
		r := BankResult{Name: b.Name, Cylinders: b.Cylinders}
		if c, mean, ok := t.mean(b.Cylinders); ok {
			r.MeanDeg, r.MeanU95Deg = ptr(mean-zero), ptr(t.u95(minus(c, g)))
			if i > 0 && haveFirst {
				r.ApartDeg, r.ApartU95Deg = ptr(mean-firstMean), ptr(t.u95(minus(c, first)))
				r.CrankFallsOut = fallsOut(j.in.Engine.SharedPins, b, banks[0])
			}
		}
		doc.Banks = append(doc.Banks, r)
	}
}

// fallsOut says whether each cylinder of both banks is on a pin that carries as
// many of one as of the other, of banks of one size.
func fallsOut(pins [][]int, a, b engine.Bank) bool {
	held := 0
	for _, pin := range pins {
		of := func(bank engine.Bank) (n int) {
			for _, c := range pin {
				if slices.Contains(bank.Cylinders, c) {
					n++
				}
			}
			return n
		}
		if of(a) != of(b) {
			return false
		}
		held += of(a) + of(b)
	}
	return held == len(a.Cylinders)+len(b.Cylinders)
}

// CommonWords says what the best common zero shows of the reference and the
// other throws.
func CommonWords(x Index) string {
	if x.CommonZeroDeg == nil {
		return "not known yet: it needs the reference and another throw, and a closure that holds"
	}
	known, out := 0, []string{}
	reference := false
	for _, c := range x.Cylinders {
		if c.FromCommonDeg != nil {
			known++
		}
		if c.CommonVerdict == Outside {
			out = append(out, fmt.Sprint(c.Number))
			reference = reference || c.Number == x.ReferenceCylinder
		}
	}
	switch {
	case known < leastThrows:
		return "two throws only: where they differ, nobody can tell which of them is off"
	case len(out) == 0:
		return "no throw stands out beyond the limit"
	case reference && len(out) == 1:
		return fmt.Sprintf("the reference, cylinder %s, stands out itself: the others look wrong only because they are compared with it", out[0])
	case reference:
		return fmt.Sprintf("cylinders %s stand out, the reference among them: read the deviations from the common zero, not those from the reference", strings.Join(out, ", "))
	case len(out) == 1:
		return fmt.Sprintf("cylinder %s stands out, the reference does not", out[0])
	}
	return fmt.Sprintf("cylinders %s stand out, the reference does not", strings.Join(out, ", "))
}

// CommonLateWords says a throw's deviation from the common zero in words.
func CommonLateWords(c Cylinder) string {
	if c.FromCommonDeg == nil {
		return "not known yet"
	}
	return late(*c.FromCommonDeg, c.FromCommonU95Deg, "on the common zero within its doubt")
}

// late says "1.50° late", "0.32° early", or what is said within the doubt.
func late(v float64, u95 *float64, none string) string {
	u := 0.0
	if u95 != nil {
		u = *u95
	}
	if math.Abs(v) < u {
		return none
	}
	return LateWords(v, u)
}

// PinWords says what of a shared pin is the crank's.
func PinWords(p PinResult) string {
	if p.CrankDeg == nil {
		return "not known yet: sweep every cylinder on this pin"
	}
	return "crank: this pin is " + late(*p.CrankDeg, p.CrankU95Deg, "on the common zero within its doubt")
}

// ApartWords says what sets two cylinders on one pin apart.
func ApartWords(a Apart) string {
	switch {
	case a.Deg == nil:
		return "not known yet: sweep both cylinders"
	case math.Abs(*a.Deg) < *a.U95Deg:
		return fmt.Sprintf("cylinders %d and %d agree within the doubt", a.From, a.Cylinder)
	}
	return fmt.Sprintf("block or pistons: cylinder %d is %s against %d on the same pin; no grinding of the crank mends that", a.Cylinder, LateWords(*a.Deg, *a.U95Deg), a.From)
}

// BankWords says what sets a bank apart from the first.
func BankWords(b BankResult, first string) string {
	switch {
	case b.ApartDeg == nil:
		return "not known yet: sweep every cylinder of both banks"
	case math.Abs(*b.ApartDeg) < *b.ApartU95Deg:
		return fmt.Sprintf("agrees with bank %s within the doubt", first)
	}
	whose := "block or pistons"
	if !b.CrankFallsOut {
		whose = "block or pistons, or every throw of one bank"
	}
	return fmt.Sprintf("%s: bank %s is %s against bank %s", whose, b.Name, LateWords(*b.ApartDeg, *b.ApartU95Deg), first)
}
