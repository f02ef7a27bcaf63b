package dashboards

import (
	"html/template"
	"math"
	"slices"
	"strconv"

	"crownmark/fit/engine"
)

// Radii of the crank star, of 100 at its rim.
const (
	starRim, starHub   = 100.0, 9.0
	starInner, starOut = 44.0, 82.0 // the innermost and the outermost piston of a place
	starPiston         = 14.0
)

// starSVG draws the nominal tops as a crank star: one arm for each place of the
// turn, seen from the damper end while the reference stands at its top, under
// the pointer. What comes later in running direction lies against it. Pistons
// of one place stand on one arm: those that fire in the first turn of the
// cycle are full, those of the second are rings.
func starSVG(e engine.Engine) template.HTML {
	hand := 1.0
	if e.RunningDirection == "anticlockwise" {
		hand = -1
	}
	var d drawing
	d.add(`<svg class="star" viewBox="-132 -134 264 268" aria-hidden="true" xmlns="http://www.w3.org/2000/svg">`)
	d.circle("rim", 0, 0, starRim)
	for deg := 0; deg < 360; deg += 15 {
		inner := starRim - 4
		if deg%90 == 0 {
			inner = starRim - 8
		}
		x0, y0 := starPoint(float64(deg), inner)
		x1, y1 := starPoint(float64(deg), starRim)
		d.line("tick", x0, y0, x1, y1)
	}
	arms := armsOf(e)
	for _, a := range arms {
		x, y := starPoint(-hand*a.deg, a.reach())
		d.line("arm", 0, 0, x, y)
		if a.deg == 0 {
			continue // the pointer stands there
		}
		x, y = starPoint(-hand*a.deg, starRim+16)
		d.text("deg", "middle", x, y+4, strconv.FormatFloat(math.Round(a.deg*10)/10, 'f', -1, 64)+"°")
	}
	d.circle("hub", 0, 0, starHub)
	r := min(starPiston, math.Pi*starInner/float64(max(len(arms), 1))-1)
	for _, a := range arms {
		for _, p := range a.pistons {
			drawPiston(&d, p, hand, r)
		}
	}
	d.path("pointer", "M0 -101l6 -16h-12z")
	d.path("arrow", "M"+px(hand*26)+" -119A122 122 0 0 "+sweepFlag(hand)+" "+px(hand*64)+" -104")
	d.path("arrowhead", "M"+px(hand*72)+" -99l"+px(hand*-11)+" -9l"+px(hand*-1)+" 11z")
	d.add(`</svg>`)
	return template.HTML(d.String())
}

func drawPiston(d *drawing, p starPistonAt, hand, r float64) {
	x, y := starPoint(-hand*p.deg, p.radius)
	class := "piston"
	if p.second {
		class = "piston second"
	}
	d.circle(class, x, y, r)
	d.add(`<text class="%s" text-anchor="middle" x="%s" y="%s" font-size="%s">%d</text>`, class, px(x), px(y+r*0.42), px(r*1.2), p.number)
}

// starPoint is a place on the star; deg runs clockwise from the top.
func starPoint(deg, radius float64) (x, y float64) {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	return radius * sin, -radius * cos
}

// arm is one place of the turn: deg after the reference, and who comes up there.
type arm struct {
	deg     float64
	pistons []starPistonAt
}

func (a arm) reach() float64 { return a.pistons[len(a.pistons)-1].radius }

type starPistonAt struct {
	number int
	deg    float64 // after the reference, within one turn
	radius float64
	second bool // fires in the second turn of the cycle
}

func armsOf(e engine.Engine) (arms []arm) {
	for _, group := range e.Together() {
		var a arm
		for _, n := range group {
			t, _ := e.Top(n)
			a.pistons = append(a.pistons, starPistonAt{number: n, deg: math.Mod(t.NominalDeg, 360), second: t.NominalDeg >= 360})
		}
		a.deg = a.pistons[0].deg
		slices.SortStableFunc(a.pistons, func(p, q starPistonAt) int { return boolOrder(p.second, q.second) })
		step := 0.0
		if n := len(group); n > 1 {
			step = min(starOut-starInner, 2.3*starPiston*float64(n-1)) / float64(n-1)
		}
		for i := range a.pistons {
			a.pistons[i].radius = starOut - step*float64(len(group)-1-i)
			if len(group) == 1 {
				a.pistons[i].radius = (starInner + starOut) / 2
			}
		}
		arms = append(arms, a)
	}
	return arms
}

func boolOrder(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}
