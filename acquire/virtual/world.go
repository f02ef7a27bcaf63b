package virtual

import "math"

// crank is the crank, its coupling and its pistons, with the memory that play
// and lash have.
type crank struct {
	angleDeg   float64 // after the reference's throw; grows in running direction
	lashDeg    float64
	encoderDeg float64 // where the coupling has dragged the encoder to
	liftMM     float64 // the crank's shift in its bearings
	direction  float64 // of the last motion: +1, −1
}

// move turns the crank. The encoder follows once the lash is used up.
func (c *crank) move(deg float64) {
	if deg == 0 {
		return
	}
	c.angleDeg += deg
	c.direction = math.Copysign(1, deg)
	half := c.lashDeg / 2
	c.encoderDeg = min(max(c.encoderDeg, c.angleDeg-half), c.angleDeg+half)
}

// probe is one indicator's plunger on one piston.
type probe struct {
	placed   bool
	setup    Setup
	slider   slider
	topDeg   float64 // crank angle of this piston's top
	throwDeg float64 // crank angle where its throw points up the bore
	topMM    float64 // its rod's height there
	travel   float64
	since    float64 // time of placement
	hangMM   float64 // the piston, relative to the top: between the rod and PlayMM over it
	tilt     float64 // −1 … +1
	lastDeg  float64 // crank angle of the last follow
}

// rodMM is the rod's height relative to the true top: never above 0.
func (p *probe) rodMM(c *crank) float64 {
	return p.slider.heightMM(c.angleDeg-p.throwDeg) - p.topMM
}

// place stands the probe on a piston that was last pushed up.
func (p *probe) place(c *crank, s Setup, sl slider, topDeg, now float64) {
	*p = probe{placed: true, setup: s, slider: sl, topDeg: topDeg, travel: p.travel, since: now, lastDeg: c.angleDeg}
	p.throwDeg, p.topMM = topDeg-sl.topDeg(), sl.heightMM(sl.topDeg())
	p.hangMM = p.rodMM(c)
	p.tilt = p.tiltWanted(c)
}

// follow lets piston and tilt follow the crank.
func (p *probe) follow(c *crank) {
	if !p.placed || c.angleDeg == p.lastDeg {
		return
	}
	rod := p.rodMM(c)
	p.hangMM = min(max(p.hangMM, rod), rod+p.setup.PlayMM)
	// A piston rocks over within half a degree at most.
	can := 4 * math.Abs(c.angleDeg-p.lastDeg)
	p.tilt += min(max(p.tiltWanted(c)-p.tilt, -can), can)
	p.lastDeg = c.angleDeg
}

// tiltWanted is −1 while the piston rises and +1 while it falls, smoothly over
// the top.
func (p *probe) tiltWanted(c *crank) float64 {
	width := p.setup.TiltWidthDeg
	if width <= 0 {
		width = 1
	}
	past := math.Remainder(c.angleDeg-p.topDeg, 360)
	return c.direction * math.Tanh(past/width)
}

// displayMM is what the display would show without noise and steps, and
// whether the plunger touches the piston.
func (p *probe) displayMM(c *crank, now float64) (mm float64, contact bool) {
	rest := p.setup.ZeroMM - p.travel
	if !p.placed {
		return rest, false
	}
	s := p.setup
	mm = s.ZeroMM + s.Scale*(p.hangMM+c.liftMM+s.TiltFlipMM*p.tilt) + s.CreepMMPerS*(now-p.since)
	if mm <= rest {
		return rest, false
	}
	return mm, true
}

// encoderAngle is the angle that the encoder's disc shows for a crank angle:
// zero, eccentric mounting and its own division included.
func (e Encoder) encoderAngle(deg, offsetDeg, reclockDeg float64) float64 {
	out := deg + offsetDeg
	for _, h := range e.Harmonics {
		phase := float64(h.PerTurn)*deg + h.PhaseDeg
		if h.Mounting {
			phase += float64(h.PerTurn) * reclockDeg
		}
		out += h.AmplitudeDeg * math.Sin(phase*math.Pi/180)
	}
	return out
}
