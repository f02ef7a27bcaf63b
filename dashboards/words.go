package dashboards

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"crownmark/fit"
	"crownmark/fit/engine"
	"crownmark/store"
)

// orDash prints a value that may be unknown.
func orDash(v *float64, decimals int) string {
	if v == nil {
		return "—"
	}
	return signed(*v, decimals)
}

func plusOrDash(v *float64, decimals int) string {
	if v == nil {
		return "—"
	}
	return fit.Signed(*v, decimals)
}

// trimText prints a trim as the controller takes it: with its sign and no more
// decimals than its step has.
func trimText(v *float64) string {
	if v == nil {
		return "—"
	}
	decimals := 0
	for ; decimals < 3; decimals++ {
		shifted := *v * math.Pow10(decimals)
		if math.Abs(shifted-math.Round(shifted)) < 1e-6 {
			break
		}
	}
	return fit.Signed(*v, max(decimals, 1))
}

// withDoubt prints an angle and its doubt, with the unit.
func withDoubt(v, u95 *float64) string {
	if v == nil {
		return "—"
	}
	return fit.WithDoubt(v, u95) + "°"
}

// topText prints an angle that has no sign, with its doubt.
func topText(v, u95 *float64) string { return strings.TrimPrefix(withDoubt(v, u95), "+") }

// strokeSeen is the stroke that the indicator showed.
func (d display) strokeSeen(c fit.Cylinder) string {
	if c.StrokeSeenMM == nil {
		return "—"
	}
	v, u := c.StrokeSeenMM, c.StrokeSeenU95MM
	if d.Length == "in" {
		v, u = inches(v), inches(u)
	}
	return strings.TrimPrefix(fit.WithDoubt(v, u), "+") + " " + d.Length
}

func inches(mm *float64) *float64 {
	if mm == nil {
		return nil
	}
	return new(*mm / mmPerInch)
}

// actorWords says where somebody did something.
func actorWords(actor *string) string {
	if actor != nil && *actor == "page" {
		return "on the page"
	}
	return "through the API"
}

// whyNone says in a few words why a cylinder has no index error or no trim.
func whyNone(c fit.Cylinder) string {
	for _, row := range []struct{ flag, text string }{
		{fit.FlagNotSwept, "not swept"},
		{fit.FlagNotConverged, "the fit did not settle"},
		{fit.FlagNoDirection, "running direction not confirmed"},
		{fit.FlagNoReference, "the reference is not swept"},
		{fit.FlagMountUnlinked, "not linked to the reference"},
		{fit.FlagWrongCylinder, "another cylinder?"},
		{fit.FlagTwist, "re-sweep; suspect a twisted crank"},
		{fit.FlagClosure, "closure failed: sweep again"},
		{fit.FlagShort, "swept too short"},
		{fit.FlagMissesTop, "the sweep misses the top"},
		{fit.FlagUpsideDown, "upside down: see flags"},
		{fit.FlagNoMotion, "the encoder stood still"},
		{fit.FlagFewReadings, "too few readings"},
	} {
		if slices.Contains(c.Flags, row.flag) {
			return row.text
		}
	}
	return "not known yet"
}

// engineText is an engine in one line.
func engineText(e engine.Engine) string {
	parts := []string{fmt.Sprintf("stroke %g mm", e.StrokeMM)}
	if e.RodMM != nil {
		parts = append(parts, fmt.Sprintf("rod %g mm", *e.RodMM))
	} else {
		parts = append(parts, "rod assumed")
	}
	if e.PinOffsetMM != nil {
		parts = append(parts, "pin offset "+strings.Replace(fmt.Sprintf("%g mm", *e.PinOffsetMM), "-", "−", 1))
	}
	if len(e.FiringOrder) > 0 {
		parts = append(parts, "fires "+strings.Trim(strings.ReplaceAll(fmt.Sprint(e.FiringOrder), " ", "-"), "[]"))
	} else {
		parts = append(parts, fmt.Sprintf("%d cylinders", len(e.Tops())))
	}
	return strings.Join(append(parts, "runs "+runsText(e)), " · ")
}

func runsText(e engine.Engine) string {
	if e.RunningDirection == "" {
		return "clockwise seen from the damper end"
	}
	return e.RunningDirection + " seen from the damper end"
}

func turnBackText(e engine.Engine) string {
	switch e.TurnBack {
	case "forbidden":
		return "The maker forbids turning this engine back: never turn against running direction. Make one slow and one fast sweep forward instead."
	case "small":
		return "The maker allows turning back by a little only: keep reverse sweeps small, no further than the sweep needs."
	}
	return "Turning back is allowed; on the bolt only at full torque."
}

// verdictText sums the verdicts up in a sentence.
func verdictText(x fit.Index) string {
	count := map[string][]string{}
	for _, c := range x.Cylinders {
		if c.Number != x.ReferenceCylinder {
			count[c.Verdict] = append(count[c.Verdict], fmt.Sprint(c.Number))
		}
	}
	var parts []string
	for _, v := range []struct{ verdict, word string }{{fit.Outside, "Outside"}, {fit.Undecided, "Undecided"}, {fit.Within, "Within"}} {
		if n := count[v.verdict]; len(n) > 0 {
			parts = append(parts, v.word+" the limit: "+strings.Join(n, ", ")+".")
		}
	}
	return strings.ReplaceAll(strings.Join(parts, " "), "Undecided the limit", "Undecided")
}

func sweepState(w store.Sweep) string {
	switch w.State {
	case store.SweepRunning:
		return "being recorded"
	case store.SweepUnfinished:
		return "unfinished: recording stopped without an end"
	}
	return "complete"
}

// short is the head of a hash, enough to compare by eye.
func short(hash string) string {
	if len(hash) > 16 {
		return hash[:16]
	}
	return hash
}
