package acquire

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// notices are the standing ones, by what they are about. Some pass by themselves.
type notices struct {
	list []standing
}

type standing struct {
	key     string // code, or code:instrument
	untilNS int64  // 0: until cleared
	Notice
}

// passingNS is how long a notice of something that happened stands.
const passingNS = 120e9

func (n *notices) clear(key string) {
	n.list = slices.DeleteFunc(n.list, func(s standing) bool { return s.key == key })
}

func (n *notices) has(key string) bool {
	return slices.ContainsFunc(n.list, func(s standing) bool { return s.key == key })
}

// show gives the notices newest first.
func (n *notices) show(nowNS int64) []Notice {
	n.list = slices.DeleteFunc(n.list, func(s standing) bool { return s.untilNS != 0 && nowNS >= s.untilNS })
	out := make([]Notice, 0, len(n.list))
	for _, s := range slices.Backward(n.list) {
		out = append(out, s.Notice)
	}
	return out
}

// notice raises a standing notice, and tells it unless it stands already.
func (l *loop) notice(key, text, fix string) { l.raise(key, text, fix, 0) }

// passing raises a notice of something that happened.
func (l *loop) passing(key, text, fix string) { l.raise(key, text, fix, l.now+passingNS) }

func (l *loop) raise(key, text, fix string, untilNS int64) {
	code, _, _ := strings.Cut(key, ":")
	made := standing{key: key, untilNS: untilNS, Notice: Notice{Code: code, Text: text, Fix: fix, AtNS: l.now}}
	for _, s := range l.notices.list {
		if s.key == key && s.Text == text && untilNS == 0 {
			return
		}
	}
	l.notices.clear(key)
	l.notices.list = append(l.notices.list, made)
	l.b.o.Logger.Warn("notice", "code", code, "text", text, "fix", fix)
	n := made.Notice
	l.b.o.OnEvent(Event{Notice: &n})
}

func (one *instrument) label() string {
	if one.cfg.Kind == KindEncoder {
		return "the encoder"
	}
	return "indicator " + one.cfg.Name
}

func (l *loop) noticeSelection() {
	if l.selection.Job != 0 || l.enc.cfg.ByEye() { // what a person reads names its job
		l.notices.clear("no_job")
		return
	}
	l.notice("no_job", "No job is selected: nothing is recorded.", "Select a job and the cylinder that each indicator stands on.")
}

// portCodes are the notices of port troubles.
var portCodes = [...]struct {
	trouble PortTrouble
	code    string
}{
	{PortAbsent, "port_absent"}, {PortBusy, "port_busy"}, {PortPermission, "port_permission"},
	{PortNotSerial, "port_not_serial"}, {PortFailed, "port_failed"}, {PortLost, "port_lost"},
}

// notePort tells why a port is not open. One that was lost stays lost until it
// is back: that it is absent meanwhile is no news.
func (l *loop) notePort(one *instrument, err error) {
	e := &PortError{Port: one.cfg.Port, Trouble: PortFailed, What: "failed", Fix: "see the cause: " + err.Error(), Err: err}
	errors.As(err, &e)
	if wasLost := l.notices.has("port_lost:" + one.cfg.Name); wasLost && e.Trouble == PortAbsent {
		return
	}
	one.trouble = e
	for _, p := range portCodes {
		if key := p.code + ":" + one.cfg.Name; p.trouble != e.Trouble {
			l.notices.clear(key)
		} else {
			l.notice(key, fmt.Sprintf("Port %s of %s %s.", e.Port, one.label(), e.What), sentence(e.Fix))
		}
	}
}

func (l *loop) clearPortNotices(one *instrument) {
	for _, p := range portCodes {
		l.notices.clear(p.code + ":" + one.cfg.Name)
	}
	l.notices.clear("silent:" + one.cfg.Name)
	l.notices.clear("garbled:" + one.cfg.Name)
	l.notices.clear("instrument_error:" + one.cfg.Name)
}

// noticeLumps: an adapter that collects bytes spoils the times of readings.
func (l *loop) noticeLumps(one *instrument) {
	key := "latency_timer:" + one.cfg.Name
	if one.lumpsMS <= 1 || one.cfg.tellsTime() {
		l.notices.clear(key)
		return
	}
	l.notice(key, fmt.Sprintf("The adapter of %s hands bytes over in lumps of %d ms: readings get times that are off by so much.", one.label(), one.lumpsMS),
		"Set its latency timer to 1 ms: write 1 to latency_timer under /sys/bus/usb-serial/devices, or install the udev rule that does it.")
}

func sentence(s string) string {
	if s == "" {
		return ""
	}
	return sentenceStart(s) + "."
}

func (l *loop) noticeMountContinues() {
	l.passing("mount_continues", "The encoder is back where it was, within 2°: its mount goes on.",
		"If it was taken off or turned on the crank meanwhile, sweep the reference cylinder again.")
}

func (l *loop) noticeNewMount(why string) {
	l.passing("mount_new", "A new encoder mount begins: "+why+".",
		"Sweep the reference cylinder again before the others: index errors need it in each mount.")
}

func (l *loop) noticeLostCounts() {
	l.passing("lost_counts", "The encoder lost counts: its angle jumped further than a hand can turn. A new mount begins and running sweeps have ended.",
		"Check the encoder's cable, plug and supply, then sweep the reference cylinder again before the others.")
}

func (l *loop) noticeZeroUncertain(one *instrument) {
	l.passing("zero_uncertain:"+one.cfg.Name, fmt.Sprintf("Indicator %s was away, and its reading or the crank has moved meanwhile: it may have lost its zero, so a new zero begins.", one.cfg.Name),
		"If its display was zeroed on the deck, zero it there again and say so.")
}

// noticeZero doubts a zero that the display does not show.
func (l *loop) noticeZero(one *instrument) {
	const nearMM = 0.05
	key := "zero_not_shown:" + one.cfg.Name
	if math.Abs(one.value) <= nearMM {
		l.notices.clear(key)
		return
	}
	l.passing(key, fmt.Sprintf("Indicator %s was said to be zeroed, but shows %.3f mm.", one.cfg.Name, one.value),
		"Zero its display, then say so again.")
}

func (l *loop) noticeOverrun() {
	l.notice("overrun", "The store cannot keep up: readings are given up and counted.",
		"Free the disk from other work or use a faster one; sweep again what was being swept.")
}

func (l *loop) noticeStorage(err error, dropped int) {
	text := fmt.Sprintf("Readings cannot be stored: %v.", err)
	if dropped > 0 {
		text = fmt.Sprintf("%d readings could not be stored: %v.", dropped, err)
	}
	l.notice("storage", text, "Free room on the disk that holds the store and see that it may be written; recording then goes on by itself.")
}
