package fit

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// advise says what to do next to shrink the doubt or finish the job, in the
// builder's words. doc is nil where nothing could be fitted.
func (j *job) advise(doc *Index) []string {
	out := []string{}
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	have := func(flag string) (list []int) {
		for _, t := range j.in.Engine.Tops() {
			if slices.Contains(j.flags[t.Number], flag) {
				list = append(list, t.Number)
			}
		}
		return list
	}
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
	if doc == nil {
		return out
	}
	switch {
	case len(have(FlagClosure)) > 0:
		say("The reference did not come back to where it was (closure %s°): the encoder slipped or lost counts. Tighten its coupling and sweep all cylinders again.", WithDoubt(doc.ClosureDeg, doc.ClosureU95Deg))
	case doc.ClosureDeg == nil && refSwept && len(j.index) > 1:
		say("Sweep the reference, cylinder %d, once more at the end: it proves that the encoder did not slip.", ref)
	}
	if len(have(FlagUndeclared)) > 0 {
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
	if refSwept && len(out) == 0 {
		say("Take the indicator off one cylinder, place it anew and sweep again: remounting is what the fit cannot see.")
	}
	return out
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
