package dashboards

import "crownmark/acquire"

// standDoc is a guided calibration as the bench leads through it: the live event
// `calibration`. Lengths are mm; unknown is null.
type standDoc struct {
	Calibration int64          `json:"calibration"`
	Indicator   string         `json:"indicator"`
	Take        string         `json:"take"`
	State       string         `json:"state"`
	Points      int            `json:"points"` // of the plan
	Taken       int            `json:"taken"`  // of them
	Stored      int            `json:"stored"` // of those taken, on the disk
	Next        *standPointDoc `json:"next"`
	Last        *standTakenDoc `json:"last"`
	ShowsMM     *float64       `json:"shows_mm"`
	ExpectedMM  *float64       `json:"expected_mm"`
	BackToMM    *float64       `json:"back_to_mm"`
	SteadyForS  float64        `json:"steady_for_s"`
	SteadyS     float64        `json:"steady_s"`
	WithinMM    float64        `json:"within_mm"`
	Refused     *refusedDoc    `json:"refused"`
}

type standPointDoc struct {
	Run         int     `json:"run"`
	Direction   string  `json:"direction"`
	ReferenceMM float64 `json:"reference_mm"`
}

type standTakenDoc struct {
	standPointDoc
	ReadingMM float64 `json:"reading_mm"`
}

type refusedDoc struct {
	Reason string `json:"reason"`
	Detail string `json:"detail"`
	Fix    string `json:"fix"`
}

// standNewsDoc is the live event `calibration` where something happened to it:
// what, and how many points count.
type standNewsDoc struct {
	Calibration int64  `json:"calibration"`
	What        string `json:"what"`
	Stored      int    `json:"stored"`
}

func standOf(s acquire.StandState) standDoc {
	d := standDoc{Calibration: s.Calibration, Indicator: s.Indicator, Take: s.Take, State: s.State, Points: len(s.Points), Taken: len(s.Taken), Stored: s.Stored,
		ShowsMM: finite(s.ShowsMM), ExpectedMM: finite(s.ExpectedMM), BackToMM: finite(s.BackToMM), SteadyForS: s.SteadyForS, SteadyS: s.SteadyS, WithinMM: s.WithinMM}
	if s.Next != nil {
		d.Next = new(standPointOf(*s.Next))
	}
	if n := len(s.Taken); n > 0 {
		d.Last = &standTakenDoc{standPointOf(s.Taken[n-1].StandPoint), s.Taken[n-1].ReadingMM}
	}
	if r := s.Refused; r != nil {
		d.Refused = &refusedDoc{r.Reason, r.Detail, r.Fix}
	}
	return d
}

// in is the document with what is refused in another language; nil: nothing is.
func (d standDoc) in(say func(string) string) any {
	if d.Refused == nil {
		return nil
	}
	d.Refused = &refusedDoc{d.Refused.Reason, say(d.Refused.Detail), say(d.Refused.Fix)}
	return d
}

func standPointOf(p acquire.StandPoint) standPointDoc {
	return standPointDoc{p.Run, p.Direction, p.ReferenceMM}
}

// standNowOf is a calibration as the bench leads through it now; nil: it does not.
func (s *Server) standNowOf(calibration int64) *standDoc {
	if n := s.bench.Snapshot().Stand; n != nil && n.Calibration == calibration {
		return new(standOf(*n))
	}
	return nil
}
