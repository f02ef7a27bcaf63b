package acquire

import (
	"bytes"
	"time"

	"crownmark/acquire/wire"
)

// asking is the talk with instruments that speak when asked: one question at a
// time on a port, the next when its time has come and the answer to the last
// is there or has been given up.
type asking struct {
	questions []*question
	current   *question // the last one put; nil: none yet
	waiting   bool      // for its answer
	askedNS   int64
	freeNS    int64 // no question before
	pauseNS   int64 // between an answer and the next question
}

// question asks one instrument, or several that one answer serves.
type question struct {
	request []byte
	framer  wire.Framer
	answers bool // the format knows answers only: what comes belongs to the question
	who     []bool
	everyNS int64
	dueNS   int64
}

// noAnswerNS is how long an instrument may take before the next question.
const noAnswerNS = 500e6

// settleNS is how long, after garbage, the answer may still come.
const settleNS = 150e6

// add notes how an instrument is asked, if it is: by its own request, or by
// the format's.
func (a *asking) add(i int, c InstrumentConfig, formats []byte, framer wire.Framer) {
	request := []byte(c.Request)
	if len(formats) > 0 {
		request = formats
	}
	if len(request) == 0 {
		return
	}
	const bits = 11 // of a character, start and stop bits counted in
	a.pauseNS = int64(3.5 * bits / float64(c.Baud) * 1e9)
	for _, q := range a.questions {
		if bytes.Equal(q.request, request) {
			q.everyNS = min(q.everyNS, int64(c.IntervalMS)*1e6)
			q.who = append(q.who, make([]bool, i-len(q.who)+1)...)
			q.who[i] = true
			return
		}
	}
	q := &question{request: request, framer: framer, answers: len(formats) > 0, who: make([]bool, i+1), everyNS: int64(c.IntervalMS) * 1e6}
	q.who[i] = true
	a.questions = append(a.questions, q)
}

// share lets instruments that do not ask hear every answer, and all questions
// of a format without answers of its own use one framer.
func (a *asking) share(instruments int, framer wire.Framer) {
	asks := make([]bool, instruments)
	for _, q := range a.questions {
		q.who = append(q.who, make([]bool, instruments-len(q.who))...)
		for i, is := range q.who {
			asks[i] = asks[i] || is
		}
		if !q.answers {
			q.framer = framer
		}
	}
	for _, q := range a.questions {
		for i := range q.who {
			q.who[i] = q.who[i] || !asks[i]
		}
	}
}

func (a *asking) restart() {
	a.current, a.waiting, a.freeNS = nil, false, 0
	for _, q := range a.questions {
		q.dueNS = 0
	}
}

// due is the question to be put now. The first waits until the line is known
// to be free.
func (a *asking) due(now int64, quiet time.Duration) *question {
	if len(a.questions) == 0 || a.waiting && now-a.askedNS < noAnswerNS || now < a.freeNS {
		return nil
	}
	q := a.next()
	if now < q.dueNS || a.current == nil && !q.answers && quiet < lineGap {
		return nil
	}
	return q
}

// next is the question whose time comes first.
func (a *asking) next() *question {
	first := a.questions[0]
	for _, q := range a.questions[1:] {
		if q.dueNS < first.dueNS {
			first = q
		}
	}
	return first
}

// asked: one that is late is asked at once, but never twice to catch up.
func (a *asking) asked(q *question, now int64) {
	a.current, a.waiting, a.askedNS = q, true, now
	if q.dueNS == 0 {
		q.dueNS = now
	}
	q.dueNS = max(q.dueNS+q.everyNS, now)
}

func (a *asking) answered(now int64) {
	a.waiting = false
	a.freeNS = now + a.pauseNS
}

// garbled: what came was no answer. The one to this question may still be on
// its way, and must not be taken for another's.
func (a *asking) garbled(now int64) {
	if a.answered(now); len(a.questions) > 1 {
		a.freeNS = now + settleNS
	}
}

// wait is how long to listen before there may be something to ask.
func (a *asking) wait(now int64) time.Duration {
	switch {
	case len(a.questions) == 0:
		return readTimeout
	case a.current == nil:
		return lineGap / 2
	}
	until := max(a.next().dueNS, a.freeNS)
	if a.waiting {
		until = a.askedNS + noAnswerNS
	}
	const tick = time.Millisecond
	return min(readTimeout, max(tick, time.Duration(until-now).Round(tick)))
}

// concerns tells whether an instrument may find its value in what comes now.
// An answer that nobody asked for could be anybody's.
func (a *asking) concerns(i int) bool {
	if a.current == nil {
		return len(a.questions) == 0 || !a.questions[0].answers
	}
	return a.current.who[i]
}

// only is the one instrument that what comes now belongs to, -1 for several.
func (a *asking) only() int {
	if a.current == nil || len(a.questions) < 2 {
		return -1
	}
	one := -1
	for i, is := range a.current.who {
		if is && one >= 0 {
			return -1
		}
		if is {
			one = i
		}
	}
	return one
}
