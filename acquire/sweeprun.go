package acquire

import (
	"math"
	"slices"
)

// sweepRun is a sweep being recorded.
type sweepRun struct {
	id, job   int64
	cylinder  int
	direction int
	indStream int64
	indFrom   int64
	stored    int64 // readings stored so far
	toldNS    int64 // when news of it was told last
	paused    bool
}

// newsEveryNS: a running sweep tells how much of it is stored at most so often.
const newsEveryNS = 500e6

// sweeps carries out what the detector found.
func (l *loop) sweeps(events []sweepEvent) {
	for _, e := range events {
		one := l.inds[e.probe]
		switch e.kind {
		case sweepBegins:
			l.beginSweep(one, e)
		case sweepEnds:
			l.endSweep(one, e)
		case sweepPauses, sweepGoesOn:
			if run := l.running[e.probe]; run != nil {
				run.paused = e.kind == sweepPauses
				l.tellSweep(one, run)
			}
		}
	}
}

func (l *loop) beginSweep(one *instrument, e sweepEvent) {
	if one.opened == nil || l.enc.opened == nil || l.selection.Job == 0 {
		return
	}
	l.startRecording() // it runs already: what moved started it
	l.ids.LastSweep++
	run := &sweepRun{id: l.ids.LastSweep, job: l.selection.Job, cylinder: one.cylinder, direction: e.dir,
		indStream: one.opened.ID, indFrom: max(e.at.ind[e.probe], one.keptFrom)}
	l.running[e.probe] = run
	l.cur.batch.Begins = append(l.cur.batch.Begins, SweepBegin{ID: run.id, Job: run.job, Cylinder: run.cylinder, Indicator: one.cfg.Name,
		IndStream: run.indStream, IndFrom: run.indFrom, EncStream: l.enc.opened.ID,
		EncFrom: max(e.at.early, l.enc.keptFrom, l.enc.mountFrom), DetectorJSON: settingsJSON(l.toldOf(e.probe)), AtNS: e.at.atNS})
	l.curRows++
	l.cur.news = append(l.cur.news, l.sweepNews(one, run, "running", ""))
}

// detectorNote is what a sweep keeps of its detector: its settings, and what
// the display shows on the plunger's resting stop in this zeroing, once seen.
type detectorNote struct {
	SweepConfig
	RestMM *float64 `json:"rest_mm,omitempty"`
}

func (l *loop) toldOf(probe int) detectorNote {
	note := detectorNote{SweepConfig: l.b.cfg.Sweep}
	if rest := l.detector.probes[probe].contact.rest; !math.IsNaN(rest) {
		note.RestMM = &rest
	}
	return note
}

func (l *loop) endSweep(one *instrument, e sweepEvent) {
	run := l.running[e.probe]
	if run == nil {
		return
	}
	l.running[e.probe] = nil
	to := max(e.at.ind[e.probe], run.indFrom)
	l.cur.batch.Ends = append(l.cur.batch.Ends, SweepEnd{Sweep: run.id, IndTo: to, EncTo: max(e.at.late, l.enc.keptFrom, l.enc.mountFrom),
		Direction: e.dir, Cause: e.cause, AtNS: e.at.atNS})
	l.curRows++
	news := l.sweepNews(one, run, "complete", e.cause)
	news.Stored = to - run.indFrom + 1
	l.cur.news = append(l.cur.news, news)
	if i := slices.Index(Causes(), e.cause); i >= 0 {
		l.b.ended[i].Add(1)
	}
}

func (l *loop) sweepNews(one *instrument, run *sweepRun, state, cause string) SweepNews {
	return SweepNews{ID: run.id, Job: run.job, Cylinder: run.cylinder, Indicator: one.cfg.Name,
		State: state, Cause: cause, Direction: run.direction, Stored: run.stored}
}

func (l *loop) tellSweep(one *instrument, run *sweepRun) {
	run.toldNS = l.now
	news := l.sweepNews(one, run, "running", "")
	l.b.o.OnEvent(Event{Sweep: &news})
}

// committed takes what the writer tells.
func (l *loop) committed(c commit) {
	switch {
	case c.trouble != nil:
		l.noticeStorage(c.trouble, c.dropped)
		l.standGivenUp(c.stand)
		return
	case c.refused != nil:
		l.standGivenUp(c.stand)
		l.selectAgain()
		return
	}
	l.notices.clear("storage")
	if !l.b.queue.full(maxHeld / 2) {
		l.notices.clear("overrun")
	}
	if c.selected != nil {
		l.stored = *c.selected
	}
	for i := range c.news {
		l.b.o.OnEvent(Event{Sweep: &c.news[i]})
	}
	l.standStored(c.stand)
	for i, run := range l.running {
		if run == nil {
			continue
		}
		for _, u := range c.upto {
			if u.stream == run.indStream && u.seq >= run.indFrom {
				run.stored = u.seq - run.indFrom + 1
			}
		}
		if run.stored > 0 && l.now-run.toldNS >= newsEveryNS {
			l.tellSweep(l.inds[i], run)
		}
	}
}
