package acquire

// hear takes what a port's goroutine tells.
func (l *loop) hear(n portNews) {
	p := l.b.ports[n.port]
	for place, i := range p.instruments {
		one := l.all[i]
		switch n.kind {
		case portOpened:
			l.portOpened(one, n)
		case portTrouble, portGone:
			l.portEnded(one, n)
		case portHeard:
			one.tally.bytes.Add(int64(n.heard.Bytes))
			one.bytesNS = n.atNS
			for _, f := range n.heard.Faults {
				if f.Instrument < 0 || f.Instrument == place {
					l.fault(one, f)
				}
			}
		}
	}
	for _, r := range n.heard.Readings {
		l.reading(l.all[p.instruments[r.Stream]], r)
	}
}

func (l *loop) portOpened(one *instrument, n portNews) {
	l.ids.LastStream++
	one.opened = &StreamOpened{ID: l.ids.LastStream, Kind: one.cfg.Kind, Name: one.cfg.Name, Port: one.cfg.Port,
		Identity: n.identity, ConfigJSON: settingsJSON(one.cfg.asKept()), OpenedNS: n.atNS}
	one.fresh, one.announced, one.data = true, false, nil
	one.seq, one.kept, one.keptFrom, one.mountFrom, one.skipped = 0, 0, 1, 1, 0
	one.openedNS, one.bytesNS, one.bad, one.usualNS, one.trouble = n.atNS, n.atNS, 0, 0, nil
	if one.everOpen {
		one.tally.reopens.Add(1)
	}
	one.everOpen, one.lumpsMS, one.identity = true, n.lumpsMS, n.identity
	one.rhythm.open()
	one.clock.open()
	one.shown = one.rhythm.read()
	l.clearPortNotices(one)
	l.noticeLumps(one)
	l.b.o.Logger.Info("port opened", "instrument", one.cfg.Name, "port", one.cfg.Port, "identity", n.identity, "stream", one.opened.ID)
}

// portEnded takes note that a port is not open: it was, or could not be.
func (l *loop) portEnded(one *instrument, n portNews) {
	if one.opened != nil {
		if one == l.enc {
			l.dropHeld(l.heldBack)
			l.heldBack = nil
		}
		if n.err == nil { // the program is being stopped
			l.sweepsOf(one, CauseShutdown)
		} else {
			l.sweepsOf(one, CausePortLost)
			l.gap(one, Gap{AtNS: n.atNS, Reason: CausePortLost})
		}
		l.letAllGo(one)
		l.flush()
		one.opened = nil
		one.tally.up.Store(false)
		if one == l.enc {
			l.heldMove, l.lastMove = move{}, move{}
		}
	}
	if n.err != nil {
		l.notePort(one, n.err)
	}
}

// sweepsOf ends the sweeps that an instrument takes part in.
func (l *loop) sweepsOf(one *instrument, cause string) {
	l.sweeps(l.detector.end(one.index, cause)) // -1, the encoder's, means all
}

// fault takes note of bytes that gave no reading.
func (l *loop) fault(one *instrument, f Fault) {
	one.tally.miss(f.Reason, f.N)
	one.say(f.AtNS, f.Raw, f.Reason, f.Cause)
	l.gap(one, Gap{AtNS: f.AtNS, Reason: string(f.Reason), N: f.N, Raw: f.Raw})
	if f.Reason == UnusedPartial {
		return // one is usual after opening
	}
	one.bad++
	one.badWhy, one.badText, one.badRaw = f.Reason, string(f.Reason), one.cfg.RawText(f.Raw)
	if f.Cause != "" {
		one.badText += ": " + f.Cause
	}
}

// say keeps what the instrument said among its last lines.
func (one *instrument) say(atNS int64, raw []byte, why UnusedReason, cause string) {
	one.lines.add(Line{AtNS: atNS, Raw: raw, Reason: why, Cause: cause, hex: one.cfg.inBytes()})
}
