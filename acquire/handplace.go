package acquire

// handPlace is where an indicator stood in the last hand sweep, and its numbers.
type handPlace struct {
	job            int64
	cylinder       int
	indicator      string
	mount          int
	setup, zeroing int
	zeroCause      string
}

// placeHand gives the sweep its mount, setup and zeroing. The marks are the
// reference: one mount for all of a job, until the damper is moved. An indicator
// that is selected on this cylinder keeps its own setup and zeroing; else a new
// place is a new setup.
func (l *loop) placeHand(h *handRun, w BeginHand) {
	p := handPlace{job: w.Job, cylinder: w.Cylinder, indicator: h.height.Name, mount: l.handMounts[w.Job], zeroCause: "start"}
	if p.mount == 0 || w.DamperMoved {
		l.ids.LastMount++
		p.mount = l.ids.LastMount
		l.handMounts[w.Job] = p.mount
	}
	last := l.handPlace
	own := h.one != nil && h.one.opened != nil && h.one.setup > 0 && h.one.cylinder == w.Cylinder && l.selection.Job == w.Job
	switch {
	case own:
		p.setup, p.zeroing = h.one.setup, h.one.zeroing
	case last.job == p.job && last.cylinder == p.cylinder && last.indicator == p.indicator:
		p.setup, p.zeroing = last.setup, last.zeroing
	default:
		l.ids.LastSetup++
		l.ids.LastZeroing++
		p.setup, p.zeroing = l.ids.LastSetup, l.ids.LastZeroing
	}
	switch {
	case w.ZeroedOn != "" && own:
		p.zeroing, p.zeroCause = l.zero(h.one, w.ZeroedOn).Number, "zero:"+w.ZeroedOn
	case w.ZeroedOn != "":
		l.ids.LastZeroing++
		p.zeroing, p.zeroCause = l.ids.LastZeroing, "zero:"+w.ZeroedOn
	}
	h.place, l.handPlace = p, p
}

// openHand puts streams, data and beginning into the batch.
func (l *loop) openHand(h *handRun) {
	b := &l.cur.batch
	l.ids.LastStream += 2
	h.enc, h.ind = l.ids.LastStream-1, l.ids.LastStream
	identity := ""
	if h.one != nil && h.one.opened != nil {
		identity = h.one.opened.Identity
	}
	b.Streams = append(b.Streams,
		StreamOpened{ID: h.enc, Kind: KindEncoder, Name: h.marks.Name, ConfigJSON: settingsJSON(h.marks), OpenedNS: l.now},
		StreamOpened{ID: h.ind, Kind: KindIndicator, Name: h.height.Name, Port: h.height.Port, Identity: identity, ConfigJSON: settingsJSON(h.height), OpenedNS: l.now})
	for _, d := range []Datum{{Stream: h.enc, Kind: DatumMount, Number: h.place.mount, Cause: DatumByMarks},
		{Stream: h.ind, Kind: DatumSetup, Number: h.place.setup, Cause: DatumByMarks},
		{Stream: h.ind, Kind: DatumZeroing, Number: h.place.zeroing, Cause: h.place.zeroCause}} {
		l.ids.LastDatum++
		d.ID, d.FromSeq = l.ids.LastDatum, 1
		b.Data = append(b.Data, d)
	}
	l.ids.LastSweep++
	h.id = l.ids.LastSweep
	b.Begins = append(b.Begins, SweepBegin{ID: h.id, Job: h.job, Cylinder: h.cylinder, Indicator: h.height.Name,
		IndStream: h.ind, IndFrom: 1, EncStream: h.enc, EncFrom: 1, DetectorJSON: settingsJSON(l.b.cfg.Sweep), AtNS: l.now})
	l.hand = h
	l.handNews("running", "")
}
