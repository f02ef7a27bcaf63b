package dashboards

import "crownmark/acquire"

// instrumentDoc is one instrument: its port, what it says, and how.
type instrumentDoc struct {
	Name   string   `json:"name"`
	Port   string   `json:"port"`
	State  string   `json:"state"`
	Detail string   `json:"detail"`
	Live   bool     `json:"live"`
	AgeS   *float64 `json:"age_s"`
	Raw    string   `json:"raw"`
	Mount  *int     `json:"mount,omitempty"`

	Rhythm   rhythmDoc    `json:"rhythm"`
	Identity string       `json:"identity"`
	Talk     talkDoc      `json:"talk"`
	Heard    heardDoc     `json:"heard"`
	Lines    []lineDoc    `json:"lines"`
	OwnClock *ownClockDoc `json:"own_clock"`
	Delay    *delayDoc    `json:"delay"`
}

// talkDoc is how an instrument speaks, by the bench file.
type talkDoc struct {
	Baud         int      `json:"baud"`
	Frame        string   `json:"frame"`
	Format       string   `json:"format"`
	AskedMS      *int     `json:"asked_ms"`
	ResolutionMM *float64 `json:"resolution_mm"`
}

// heardDoc are totals since the program began.
type heardDoc struct {
	Readings int64            `json:"readings"`
	Bytes    int64            `json:"bytes"`
	Reopens  int64            `json:"reopens"`
	Unused   map[string]int64 `json:"unused"`
}

// lineDoc is one of the last lines; no reason: it gave a reading.
type lineDoc struct {
	AgeS   float64 `json:"age_s"`
	Text   string  `json:"text"`
	Reason string  `json:"reason,omitempty"`
	Cause  string  `json:"cause,omitempty"`
}

type ownClockDoc struct {
	GainsPPM   *float64 `json:"gains_ppm"`
	RunsOverUS *int64   `json:"runs_over_us"`
	Restarted  int      `json:"restarted"`
	LateMS     float64  `json:"late_ms"`
}

// delayDoc is what is known beforehand of an indicator's delay after the encoder.
type delayDoc struct {
	PriorMS    float64 `json:"latency_prior_ms"`
	PriorU95MS float64 `json:"latency_prior_u95_ms"`
	PriorFrom  string  `json:"latency_prior_from"`
}

// rhythmDoc is how regularly an instrument's readings come.
type rhythmDoc struct {
	IntervalMS     *float64      `json:"interval_ms"`
	JitterMS       *float64      `json:"jitter_ms"`
	BatchMS        *float64      `json:"batch_ms"`
	BurstShare     float64       `json:"burst_share"`
	Missing        int64         `json:"missing"`
	LatencyTimerMS *int          `json:"latency_timer_ms"`
	Intervals      []intervalDoc `json:"intervals"`
}

// intervalDoc is one class of the histogram of times between readings.
type intervalDoc struct {
	LeMS *float64 `json:"le_ms"`
	N    int64    `json:"n"`
}

func instrumentOf(i acquire.InstrumentState, nowNS int64, stats []acquire.InstrumentStats) instrumentDoc {
	d := instrumentDoc{Name: i.Name, Port: i.Port, State: i.Status, Detail: i.Detail, Live: i.Live, AgeS: finite(i.AgeS), Raw: i.Raw,
		Rhythm: rhythmOf(i.Rhythm, i.LatencyTimerMS), Identity: i.Identity, Lines: make([]lineDoc, 0, len(i.Lines)), Heard: heardOf(i, stats),
		Talk: talkDoc{Baud: i.Config.Baud, Frame: i.Config.Frame, Format: i.Config.Format, AskedMS: positive(i.Config.IntervalMS)}}
	if i.ResolutionMM > 0 {
		d.Talk.ResolutionMM = &i.ResolutionMM
	}
	for _, l := range i.Lines {
		d.Lines = append(d.Lines, lineDoc{max(0, float64(nowNS-l.AtNS)/1e9), l.Text(), string(l.Reason), l.Cause})
	}
	if c := i.OwnClock; c != nil {
		d.OwnClock = &ownClockDoc{finite(c.GainsPPM), positive(c.RunsOver), c.Restarted, c.LateMS}
	}
	if i.Kind == acquire.KindIndicator {
		d.Delay = &delayDoc{i.Config.LatencyMS, 2 * i.Config.LatencyUMS, "bench file"}
		if i.Config.LatencyOpen {
			d.Delay.PriorFrom = "assumed"
		}
	}
	return d
}

func heardOf(i acquire.InstrumentState, stats []acquire.InstrumentStats) heardDoc {
	d := heardDoc{Unused: map[string]int64{}}
	for _, s := range stats {
		if s.Name != i.Name || s.Kind != i.Kind {
			continue
		}
		d.Readings, d.Bytes, d.Reopens = s.Readings, s.Bytes, s.Reopens
		for why, n := range s.Unused {
			d.Unused[string(why)] = n
		}
	}
	return d
}

func rhythmOf(r acquire.Rhythm, timerMS int) rhythmDoc {
	d := rhythmDoc{IntervalMS: r.IntervalMS, JitterMS: r.JitterMS, BatchMS: r.BatchMS, BurstShare: r.BurstShare, Missing: r.Missing, LatencyTimerMS: positive(timerMS)}
	bounds := acquire.IntervalBoundsMS()
	for i, n := range r.Intervals.Counts {
		one := intervalDoc{N: n}
		if i < len(bounds) {
			one.LeMS = &bounds[i]
		}
		d.Intervals = append(d.Intervals, one)
	}
	return d
}
