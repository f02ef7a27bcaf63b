package fit

import "math"

const (
	rejectedShareMost = 0.10
	regripNearDeg     = 10.0 // a stop nearer to the top may have shifted the crank where it counts
	scaleUsualLeast   = 0.97 // a display that reads too little …
	scaleUsualMost    = 1.12 // … or a probe that leans by 27°
)

// poor says that a curve scatters far more than its display's step explains.
func (p *pass) poor() bool { return p.noise.displayMM > math.Max(8*p.noise.floorMM, 0.01) }

// shapeDegPerMM: a one-way step of 0.05 mm at the top moves it by 0.06° to
// 0.12°, and leaves a scatter of an eighth of the step about the fitted curve.
// 6° a mm of that scatter, at one standard uncertainty, covers it.
const shapeDegPerMM = 6.0

// shapeShare is the doubt that poor curves add, the worst of them; nothing for
// good ones.
func shapeShare(passes []*pass) []share {
	worst := 0.0
	for _, p := range passes {
		if p.poor() {
			worst = math.Max(worst, p.noise.displayMM)
		}
	}
	if worst == 0 {
		return nil
	}
	u := shapeDegPerMM * worst
	return []share{{srcShape, plain(1000*worst) + " µm off the crank's curve", "measured", u * u, math.Inf(1)}}
}

// judgeShape raises the flags that a cylinder's curves call for.
func (j *job) judgeShape(c *Cylinder, passes []*pass) {
	e := j.in.Engine
	ways := map[float64]bool{}
	for _, p := range passes {
		ways[p.dir] = true
		for i, g := range p.segs[:len(p.segs)-1] {
			if th, _, ok := p.track.at(g.to); ok && !p.segs[i+1].knock && math.Abs(th-j.first[p]) < regripNearDeg {
				j.flag(c.Number, FlagRegripAtTop)
			}
		}
		if p.poor() {
			j.flag(c.Number, FlagPoorFit)
		}
	}
	if len(ways) == 1 {
		j.flag(c.Number, FlagOneWay)
	}
	if n := c.Samples + c.Rejected; n > 0 && float64(c.Rejected) > rejectedShareMost*float64(n) {
		j.flag(c.Number, FlagManyRejected)
	}
	if k := *c.Scale; k < scaleUsualLeast || k > scaleUsualMost {
		j.flag(c.Number, FlagScale)
	}
	if e.RodMM == nil {
		j.flag(c.Number, FlagRodAssumed)
	}
	if t, _ := e.Top(c.Number); !t.OffsetKnown {
		j.flag(c.Number, FlagOffsetAssumed)
	}
}
