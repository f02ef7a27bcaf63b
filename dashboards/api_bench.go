package dashboards

import (
	"context"
	"fmt"
	"maps"
	"math"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"time"

	"crownmark/acquire"
	"crownmark/store"
)

// benchDoc is GET /api/v1/bench: the reading event, and what stands round it.
type benchDoc struct {
	readingEvent
	Software  string        `json:"software"`
	Simulated bool          `json:"simulated"`
	Recording bool          `json:"recording"`
	Encoder   instrumentDoc `json:"encoder"`
	Probes    []probeDoc    `json:"indicators"`
	Selection *selectionDoc `json:"selection"`
	Running   []runningDoc  `json:"running"`
	Notices   []noticeEvent `json:"notices"`
	// Calibration is the guided calibration that runs, null: none.
	Calibration *standDoc `json:"calibration"`
}

type probeDoc struct {
	instrumentDoc
	HeightMM *float64 `json:"height_mm"`
	RestMM   *float64 `json:"rest_mm"`
	Contact  bool     `json:"contact"`
	Cylinder *int     `json:"cylinder"`
	Setup    *int     `json:"setup"`
	Zeroing  *int     `json:"zeroing"`
}

type selectionDoc struct {
	Job       int64          `json:"job"`
	Cylinders map[string]int `json:"cylinders"`
}

type runningDoc struct {
	ID        int64   `json:"id"`
	Job       int64   `json:"job"`
	Cylinder  int     `json:"cylinder"`
	Indicator string  `json:"indicator"`
	Direction int     `json:"direction"`
	SpanDeg   float64 `json:"span_deg"`
	Paused    bool    `json:"paused"`
	Readings  int64   `json:"readings"`
}

type lastMotionDoc struct {
	Direction *int    `json:"direction"`
	MovedDeg  float64 `json:"moved_deg"`
}

func (s *Server) getBench(w http.ResponseWriter, r *http.Request) error {
	return writeJSON(w, http.StatusOK, s.benchOf(r.Context(), s.bench.Snapshot()))
}

func (s *Server) benchOf(ctx context.Context, n acquire.Snapshot) benchDoc {
	stats := s.bench.Stats().Instruments
	d := benchDoc{
		readingEvent: s.readingOf(n), Software: s.software, Simulated: s.simulated, Recording: n.Recording,
		Encoder: instrumentOf(n.Encoder, n.NowNS, stats), Selection: selectionOf(n.Selection),
		Probes: make([]probeDoc, 0, len(n.Indicators)), Running: make([]runningDoc, 0, len(n.Running)), Notices: make([]noticeEvent, 0, len(n.Notices)),
	}
	d.Encoder.Mount = positive(n.Encoder.Mount)
	for _, i := range n.Indicators {
		d.Probes = append(d.Probes, probeDoc{instrumentOf(i, n.NowNS, stats), finite(i.Value), finite(i.RestMM), i.Contact, positive(i.Cylinder), positive(i.Setup), positive(i.Zeroing)})
	}
	for _, r := range n.Running {
		d.Running = append(d.Running, runningDoc(r))
	}
	if n.Stand != nil {
		d.Calibration = new(standOf(*n.Stand))
	}
	for _, x := range n.Notices {
		d.Notices = append(d.Notices, noticeEvent{x.Code, x.Text, x.Fix})
	}
	d.Notices = append(d.Notices, s.registerNotices(ctx, n)...)
	return d
}

func selectionOf(n acquire.Selection) *selectionDoc {
	if n.Job == 0 {
		return nil
	}
	return &selectionDoc{n.Job, n.Cylinders}
}

// putSelection says which cylinder each indicator stands on; job null (or 0)
// with no cylinders: none, and nothing is recorded.
func (s *Server) putSelection(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Job       *int64         `json:"job"`
		Cylinders map[string]int `json:"cylinders"`
	}
	if err := readBody(r, &in); err != nil {
		return err
	}
	sel := acquire.Selection{Cylinders: in.Cylinders, Actor: actor(r)}
	if in.Job != nil {
		sel.Job = *in.Job
	}
	if err := s.checkSelection(r, sel); err != nil {
		return err
	}
	if err := s.bench.Select(r.Context(), sel); err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, struct {
		Selection *selectionDoc `json:"selection"`
	}{selectionOf(sel)})
}

func (s *Server) checkSelection(r *http.Request, sel acquire.Selection) error {
	if sel.Job == 0 {
		if len(sel.Cylinders) > 0 {
			return invalid(Fault{"/job", "cylinders without a job", "name the job, or send no cylinders"})
		}
		return nil
	}
	job, err := s.openJob(r, sel.Job)
	if err != nil {
		return err
	}
	known := map[string]bool{}
	for _, i := range s.bench.Snapshot().Indicators {
		known[i.Name] = true
	}
	var faults []Fault
	for _, name := range slices.Sorted(maps.Keys(sel.Cylinders)) {
		if !known[name] {
			faults = append(faults, Fault{"/cylinders" + pointerTo(name), "the bench has no such indicator", "indicators: " + strings.Join(slices.Sorted(maps.Keys(known)), ", ")})
		}
		if _, ok := job.Engine.Top(sel.Cylinders[name]); !ok {
			faults = append(faults, Fault{"/cylinders" + pointerTo(name), fmt.Sprintf("the engine has no cylinder %d", sel.Cylinders[name]), "cylinders: " + numbers(job)})
		}
	}
	if len(faults) > 0 {
		return invalid(faults...)
	}
	return nil
}

func numbers(job store.Job) string {
	var out []string
	for _, t := range job.Engine.Tops() {
		out = append(out, fmt.Sprint(t.Number))
	}
	return strings.Join(out, ", ")
}

// openJob finds a job that may still be worked on.
func (s *Server) openJob(r *http.Request, id int64) (store.Job, error) {
	job, err := s.store.Job(r.Context(), id)
	if err != nil {
		return job, err
	}
	if job.State != "open" {
		return job, store.ErrJobClosed
	}
	return job, nil
}

type directionDoc struct {
	Job       int64     `json:"job"`
	Direction int       `json:"direction"`
	MovedDeg  float64   `json:"moved_deg"`
	At        time.Time `json:"at"`
}

func (s *Server) postDirection(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Job int64 `json:"job"`
	}
	return s.post(w, r, &in, func() (string, any, error) {
		if _, err := s.openJob(r, in.Job); err != nil {
			return "", nil, err
		}
		c, err := s.bench.Direction(r.Context(), in.Job)
		return fmt.Sprintf("/api/v1/jobs/%d", in.Job), directionDoc{c.Job, c.Sign, math.Abs(c.MovedDeg), time.Now().UTC()}, err
	})
}

type zeroDoc struct {
	Indicator string    `json:"indicator"`
	On        string    `json:"on"`
	Zeroing   int       `json:"zeroing"`
	At        time.Time `json:"at"`
}

var zeroPlace = regexp.MustCompile(`^[a-z][a-z0-9_-]{0,31}$`)

func notAPlace(pointer, on string) Fault {
	return Fault{pointer, fmt.Sprintf("%q is not a place", on), `"deck" when it was zeroed on the block's deck, otherwise a word of your own in small letters`}
}

func (s *Server) postZero(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Indicator string `json:"indicator"`
		On        string `json:"on"`
	}
	return s.post(w, r, &in, func() (string, any, error) {
		if !zeroPlace.MatchString(in.On) {
			return "", nil, invalid(notAPlace("/on", in.On))
		}
		d, err := s.bench.Zero(r.Context(), in.Indicator, in.On)
		return "/api/v1/bench", zeroDoc{in.Indicator, in.On, d.Number, time.Now().UTC()}, err
	})
}

// post reads a body into in, acts once for its Idempotency-Key, and answers
// 201 with the place and the whole of what came to be.
func (s *Server) post(w http.ResponseWriter, r *http.Request, in any, act func() (string, any, error)) error {
	body, err := rawBody(r)
	if err != nil {
		return err
	}
	if err := decodeStrict(body, in); err != nil {
		return err
	}
	location, value, replayed, err := s.once.do(r, body, act)
	if err != nil {
		return err
	}
	created(w, location, replayed)
	return writeJSON(w, http.StatusCreated, value)
}

func created(w http.ResponseWriter, location string, replayed bool) {
	w.Header().Set("Location", location)
	if replayed {
		w.Header().Set("Idempotency-Replayed", "true")
	}
}

// actor tells a person at the page from a program.
func actor(r *http.Request) string {
	if r.Header.Get("Sec-Fetch-Site") != "" {
		return "page"
	}
	return "api"
}
