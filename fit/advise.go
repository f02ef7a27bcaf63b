package fit

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// advise says what to do next to shrink the doubt or finish the job, in the
// builder's words. doc is nil where nothing could be fitted.
func (j *job) advise(doc *Index, s *solution) []string {
	out := j.adviseSweeps()
	if doc == nil {
		return out
	}
	ref := j.in.Engine.Reference()
	refSwept := len(j.passes) > 0 && j.anchor == ref
	out = append(out, j.adviseResults(doc, ref, refSwept)...)
	if s != nil && refSwept && len(j.flagged(FlagClosure)) == 0 {
		out = append(out, j.shrinking(doc, s)...)
	}
	if refSwept && len(out) == 0 {
		out = append(out, "Take the indicator off one cylinder, place it anew and sweep again: remounting is what the fit cannot see.")
	}
	if slices.ContainsFunc(j.passes, func(p *pass) bool { return !p.readOff && p.errors != nil && p.errors.blind }) {
		out = append(out, "The indicator's calibration was looked up without knowing where its plunger stood. Once a cylinder is selected, let the plunger stand on its stop while the crank turns by 15°, then place it and sweep: the heights are surer then.")
	}
	return out
}

// flagged are the cylinders with a flag.
func (j *job) flagged(flag string) (list []int) {
	for _, t := range j.in.Engine.Tops() {
		if slices.Contains(j.flags[t.Number], flag) {
			list = append(list, t.Number)
		}
	}
	return list
}

// adviseSweeps says what is missing of the sweeps, or wrong with them.
func (j *job) adviseSweeps() []string {
	out := []string{}
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	have := j.flagged
	if !j.in.DirectionConfirmed {
		say("Turn the crank a few degrees in running direction and confirm it; until then no index, trim or mark is given.")
	}
	ref := j.in.Engine.Reference()
	refSwept := len(j.passes) > 0 && j.anchor == ref
	if !refSwept {
		say("Sweep cylinder %d, the reference: every other cylinder is compared with it.", ref)
	}
	if l := without(have(FlagNotSwept), ref); len(l) > 0 && refSwept {
		say("Still to sweep: %s.", cylinders(l))
	}
	if l := have(FlagOneWay); len(l) > 0 {
		if j.in.Engine.TurnBack == "forbidden" {
			say("%s swept one way only. The maker forbids turning back: make one slow and one fast sweep forward, so that latency can be told from crank angle.", were(l))
		} else {
			say("%s swept one way only. Now sweep back through the top: latency, lash and play change sign with direction and drop out.", were(l))
		}
	}
	out = append(out, j.strays...)
	for _, flag := range []string{FlagUpsideDown, FlagMissesTop, FlagShort, FlagNoMotion, FlagFewReadings, FlagWrongCylinder, FlagMountUnlinked, FlagManyRejected, FlagPoorFit, FlagRegripAtTop} {
		if l := have(flag); len(l) > 0 {
			n := noteOf(flag)
			say("%s: %s %s", upper(cylinders(l)), n.Cause, n.Cure)
		}
	}
	if l := have(FlagTwist); len(l) > 0 {
		say("%s: re-sweep; if it stays over 3°, suspect a twisted crank. No trim is given.", upper(cylinders(l)))
	}
	return out
}

// adviseResults says what the results call for.
func (j *job) adviseResults(doc *Index, ref int, refSwept bool) (out []string) {
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch {
	case len(j.flagged(FlagClosure)) > 0:
		say("The reference did not come back to where it was (closure %s°): the encoder slipped or lost counts. Tighten its coupling and sweep all cylinders again.", WithDoubt(doc.ClosureDeg, doc.ClosureU95Deg))
	case doc.ClosureDeg == nil && refSwept && len(j.index) > 1:
		say("Sweep the reference, cylinder %d, once more at the end: it proves that the encoder did not slip.", ref)
	}
	if len(j.flagged(FlagUndeclared)) > 0 {
		say("The encoder's eccentricity is not declared, so the doubts exclude how it is mounted. Declare eccentricity_u_deg, or re-clock the encoder by 180° and 90° and sweep again.")
	}
	for _, c := range doc.Cylinders {
		if c.Verdict == Undecided && c.ThrowErrorDeg != nil && c.Number != ref && len(c.Budget) > 0 && !slices.Contains(j.flags[c.Number], FlagClosure) {
			say("Cylinder %d is too near the limit to call (%s° against %.2f°). Largest doubt: %s.", c.Number, WithDoubt(c.ThrowErrorDeg, c.ThrowU95Deg), doc.IndexLimitDeg, c.Budget[0].Source)
		}
		if c.LeftDeg != nil && c.TrimSetDeg != nil && c.IndexU95Deg != nil && *c.TrimSetDeg != 0 && math.Abs(*c.LeftDeg) > 0.25*math.Abs(*c.TrimDeg) {
			say("Cylinder %d: the controller's step of %s° leaves %.2f° of the error.", c.Number, plain(doc.TrimStepDeg), math.Abs(*c.LeftDeg))
		}
	}
	return out
}

// shrinking says what would shrink the largest doubt of the index, and to what.
func (j *job) shrinking(doc *Index, s *solution) []string {
	target, now := j.doubtful(doc)
	if target == nil {
		return nil
	}
	param := j.index[target.Number]
	if param == none {
		param = j.mounts[s.model.passes[0].mountNo]
	}
	all := []int{j.anchor, target.Number}
	own := s.cov.At(param, param)
	rest := math.Max(now*now/(1.96*1.96)-own, 0) // what sweeps do not see
	oneWay := slices.Contains(j.flags[target.Number], FlagOneWay)
	var out []string
	say := func(what string, variance float64) {
		if then := now * math.Sqrt((variance+rest)/(own+rest)); then < 0.8*now {
			out = append(out, fmt.Sprintf("%s: that would bring the doubt of cylinder %d from %.*f° down to about %.*f°.", what, target.Number, Digits(now), now, Digits(then), then))
		}
	}
	switch {
	case oneWay && j.in.Engine.TurnBack == "forbidden":
		say(fmt.Sprintf("One more sweep of %s forward, twice as fast or half as fast", cylinders(all)), s.after(param, all, more{speed: 2, reach: 1}))
	case oneWay:
		say(fmt.Sprintf("A sweep back through the top of %s", cylinders(all)), s.after(param, all, more{back: true, speed: 1, reach: 1}))
	}
	if j.reach(target.Number) < wideDeg {
		say("The sweeps made half as wide again", s.after(param, all, more{speed: 1, reach: 1.5}))
	}
	if j.in.Engine.RodMM == nil {
		say("The rod's length in the engine file", s.knowing(param, s.model.rod, rodDeclaredUMM))
	}
	for _, b := range target.Budget {
		if b.Source == srcMounting {
			say("The encoder's adapter turned on the crank by 180° and by 90°, every cylinder swept anew each time", math.Max(own+rest-b.UDeg*b.UDeg, own/3)-rest)
		}
	}
	return out
}

// wideDeg: sweeps that reach so far either side of the top tell all they can.
const wideDeg = 25.0

// reach is how far a cylinder's sweeps go on the shorter side of its top, deg.
func (j *job) reach(cylinder int) float64 {
	least := math.Inf(1)
	for _, p := range j.passes {
		if p.src.Cylinder == cylinder {
			lo, hi := bounds(p.x)
			least = math.Min(least, math.Min(-lo, hi))
		}
	}
	return least
}

// doubtful is the cylinder whose index is doubted most (the reference's own
// top where it is alone), and that doubt.
func (j *job) doubtful(doc *Index) (c *Cylinder, u95 float64) {
	for i := range doc.Cylinders {
		row := &doc.Cylinders[i]
		u := row.IndexU95Deg
		if row.Number == doc.ReferenceCylinder && len(doc.Cylinders) == 1 {
			u = row.TDCU95Deg
		}
		if u != nil && *u > u95 && j.fitted(row.Number) {
			c, u95 = row, *u
		}
	}
	return c, u95
}

func noteOf(flag string) FlagNote {
	notes := FlagNotes()
	if i := slices.IndexFunc(notes, func(n FlagNote) bool { return n.Flag == flag }); i >= 0 {
		return notes[i]
	}
	return FlagNote{Flag: flag}
}

func without(list []int, n int) []int {
	return slices.DeleteFunc(slices.Clone(list), func(v int) bool { return v == n })
}

// cylinders says "cylinder 3" or "cylinders 2, 3 and 4".
func cylinders(list []int) string {
	if len(list) == 1 {
		return fmt.Sprintf("cylinder %d", list[0])
	}
	var b strings.Builder
	b.WriteString("cylinders ")
	for i, n := range list {
		switch {
		case i == 0:
		case i == len(list)-1:
			b.WriteString(" and ")
		default:
			b.WriteString(", ")
		}
		fmt.Fprint(&b, n)
	}
	return b.String()
}

func were(list []int) string {
	if len(list) == 1 {
		return upper(cylinders(list)) + " was"
	}
	return upper(cylinders(list)) + " were"
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
