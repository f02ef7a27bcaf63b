package acquire

import (
	"fmt"
	"math"
	"strings"
)

// What a bench that is set up wrongly looks like.
const (
	badRun       = 5   // unusable lines in a row
	silentLeastS = 2.0 // an instrument that spoke is silent after this, or …
	silentTimes  = 10  // … so many times its usual interval
	pausesEnough = 3   // so many pauses: it speaks only when it has something to say …
	silentMostS  = 60  // … and is silent after this
	waitingS     = 5.0 // one that never spoke
	hintDeg      = 5.0
)

// hints looks for signs of a bench that is set up wrongly.
func (l *loop) hints() {
	for _, one := range l.all {
		l.hintTalk(one)
	}
	for _, one := range l.inds {
		l.hintStands(one)
		l.hintResolution(one)
		if one.cylinder != 0 {
			l.hintTouch(one)
			l.hintDirection(one)
		}
	}
}

// hintTalk: is what an instrument says of use?
func (l *loop) hintTalk(one *instrument) {
	status := l.status(one)
	name := one.cfg.Name
	if status == StatusSilent {
		l.notice("silent:"+name, sentence(one.label()+" is silent"),
			fmt.Sprintf("Switch it on and check its cable; %s. Speed and frame are %d and %s.", one.cfg.whenSilent(), one.cfg.Baud, one.cfg.Frame))
	} else {
		l.notices.clear("silent:" + name)
	}
	switch {
	case one.bad < badRun || one.opened == nil:
		l.notices.clear("garbled:" + name)
		l.notices.clear("instrument_error:" + name)
	case one.badWhy == UnusedError:
		l.notice("instrument_error:"+name, fmt.Sprintf("%s reports an error itself%s.", sentenceStart(one.label()), strings.TrimPrefix(one.badText, string(one.badWhy))),
			"Look at its display and into its manual; it may be out of its range or its battery low.")
	case !l.notices.has("garbled:" + name):
		l.notice("garbled:"+name, fmt.Sprintf("%s speaks, but its lines cannot be read (%s); one was %q.", sentenceStart(one.label()), one.badText, clip(one.badRaw)),
			fmt.Sprintf("Check baud (%d), frame (%s) and %s in the bench file against its manual.", one.cfg.Baud, one.cfg.Frame, one.cfg.formatKeys()))
	}
}

const (
	lookAtRhythmNS = 500e6
	lumpsToTellMS  = 8.0 // a hand turns 0.04° in that time at 5 °/s
)

// lookAtRhythms looks how readings come, now and then.
func (l *loop) lookAtRhythms() {
	if l.now-l.shownNS < lookAtRhythmNS {
		return
	}
	l.shownNS = l.now
	for _, one := range l.all {
		one.shown = one.rhythm.read()
		key, batch := "batched:"+one.cfg.Name, one.shown.BatchMS
		if batch == nil || *batch < lumpsToTellMS || one.cfg.tellsTime() || one.lumpsMS > 1 { // of which there is a notice already
			l.notices.clear(key)
		} else if !l.notices.has(key) {
			l.notice(key, fmt.Sprintf("The readings of %s come in lumps, about %.0f ms apart: their times are off by so much.", one.label(), *batch),
				"Let its adapter hand bytes over at once (latency timer, buffer size), or plug it in without a hub or bridge; only the last reading of a lump serves a fit.")
		}
	}
}

// encoderMoved starts the look for heights that move alone anew.
func (l *loop) encoderMoved() {
	for _, one := range l.inds {
		one.drift = extent{}
		l.notices.clear("encoder_stands:" + one.cfg.Name)
	}
}

// hintStands: heights move and the encoder does not.
func (l *loop) hintStands(one *instrument) {
	most := max(0.2, 10*l.b.cfg.Sweep.ContactMM)
	if one.drift.span() < most || l.status(l.enc) != StatusLive {
		return
	}
	l.notice("encoder_stands:"+one.cfg.Name, fmt.Sprintf("The encoder stands still while indicator %s moves.", one.cfg.Name),
		"Check that the encoder's coupling is tight and turns with the crank. If you moved the plunger by hand, ignore this.")
}

// hintResolution: a display that goes by larger steps than the bench file says
// makes doubts too small. By smaller ones it only seems to go, where a digit was
// wrong.
func (l *loop) hintResolution(one *instrument) {
	seen, said := one.resolution.MM(), one.cfg.ResolutionMM
	if said == 0 || seen < 1.5*said {
		l.notices.clear("resolution:" + one.cfg.Name)
		return
	}
	l.notice("resolution:"+one.cfg.Name, fmt.Sprintf("The display of indicator %s goes by steps of %.4g mm, not of %.4g mm.", one.cfg.Name, seen, said),
		fmt.Sprintf("Set resolution_mm = %.4g for it in the bench file, or leave resolution_mm out, and start again.", seen))
}

// hintTouch: does the plunger touch, and within its travel?
func (l *loop) hintTouch(one *instrument) {
	c := &l.detector.probes[one.index].contact
	window := l.b.cfg.Sweep.WindowDeg
	if window == 0 {
		window = DefaultSweepConfig().WindowDeg
	}
	touch, end := "not_touching:"+one.cfg.Name, "travel_end:"+one.cfg.Name
	if c.touched {
		l.notices.clear(touch)
	} else if c.begun && c.flat.travel() >= window {
		l.notice(touch, fmt.Sprintf("Indicator %s rests at %.3f mm while the crank turned %.0f°: it does not touch the piston there, or is out of its travel.", one.cfg.Name, one.value, window),
			"If the piston should be near its top, lower the indicator until the plunger is pressed in, and set it again.")
	}
	switch {
	case !c.touching || c.flat.travel() < restKnownDeg:
		l.notices.clear(end)
	case c.flat.travel() >= restUnknownDeg && c.flat.lo > c.low+l.b.cfg.Sweep.ContactMM:
		l.notice(end, fmt.Sprintf("Indicator %s stays at %.3f mm while the crank turns: it is at the end of its travel.", one.cfg.Name, one.value),
			"Stop turning. Raise the indicator, so that the piston's top lies inside its travel, and sweep again.")
	}
}

// hintDirection: a plunger that falls from its stop, or heights with a bottom
// inside the window, mean a wrong sign.
func (l *loop) hintDirection(one *instrument) {
	p := &l.detector.probes[one.index]
	if p.contact.fell || l.b.cfg.Sweep.WindowDeg > 0 && p.dips(max(0.1, 5*l.b.cfg.Sweep.ContactMM), l.detector.now.deg) {
		l.notice("direction:"+one.cfg.Name, fmt.Sprintf("The heights of indicator %s have a bottom where a top should be: its sign is wrong.", one.cfg.Name),
			fmt.Sprintf("Set direction = %d for it in the bench file and start again. If this was the bottom of the stroke, ignore this.", -one.cfg.Direction))
	}
}

// dips tells whether a running sweep went down and up again by mm each.
func (p *probe) dips(mm, deg float64) bool {
	return p.running && p.before-p.bottom >= mm && min(p.prev, p.height)-p.bottom >= mm &&
		float64(p.dir)*(deg-p.bottomDeg) >= hintDeg
}

func (l *loop) clearHints(one *instrument) {
	for _, code := range [...]string{"not_touching:", "travel_end:", "direction:", "encoder_stands:"} {
		l.notices.clear(code + one.cfg.Name)
	}
	one.drift = extent{}
}

func sentenceStart(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func clip(s string) string {
	const most = 40
	return s[:min(len(s), most)]
}

// status is an instrument in a word.
func (l *loop) status(one *instrument) string {
	if one.cfg.ByEye() {
		return StatusByEye
	}
	if one.opened == nil {
		if one.trouble == nil {
			return StatusWaiting
		}
		return string(one.trouble.Trouble)
	}
	quiet := float64(l.now-one.bytesNS) / 1e9
	switch {
	case one.bad >= badRun:
		return StatusGarbled
	case one.fresh && quiet > waitingS:
		return StatusSilent
	case one.fresh:
		return StatusWaiting
	case one.silent(l.now):
		return StatusSilent
	}
	return StatusLive
}

// silent tells whether an instrument that spoke has been silent for too long.
func (one *instrument) silent(nowNS int64) bool {
	limit := math.Max(silentLeastS, silentTimes*one.usualNS/1e9)
	if one.pauses >= pausesEnough {
		limit = math.Max(silentMostS, limit)
	}
	return float64(nowNS-one.last.AtNS)/1e9 > limit
}

// detail is the same in a sentence.
func (l *loop) detail(one *instrument, status string) string {
	label := sentenceStart(one.label())
	switch status {
	case StatusLive:
		return label + " is heard."
	case StatusByEye:
		if one.cfg.Kind == KindEncoder {
			return "There is no encoder: angles are read off the damper's degree marks."
		}
		return label + " is read by eye, and typed."
	case StatusWaiting:
		if one.opened == nil {
			return label + ": its port is being opened."
		}
		return label + ": its port is open, nothing has come yet."
	case StatusSilent:
		return label + ": its port is open, but it says nothing: switch it on and check its cable."
	case StatusGarbled:
		return fmt.Sprintf("%s speaks, but its lines cannot be read; one was %q: check baud, frame and %s.", label, clip(one.badRaw), one.cfg.formatKeys())
	}
	return fmt.Sprintf("%s: %v.", label, one.trouble)
}
