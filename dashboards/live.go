package dashboards

import (
	"fmt"
	"math"
	"net/http"
	"time"

	"crownmark/acquire"
)

// readingEvent is the live event `reading`, and the head of GET /api/v1/bench.
// Ages and states are of the moment it was made.
type readingEvent struct {
	TS           float64          `json:"t_s"`
	AngleDeg     *float64         `json:"angle_deg"`
	AngleAgeS    *float64         `json:"angle_age_s"`
	EncoderState string           `json:"encoder_state"`
	Indicators   []indicatorEvent `json:"indicators"`
	LastMotion   lastMotionDoc    `json:"last_motion"`
	StoredLedger int64            `json:"stored_ledger"`
}

type indicatorEvent struct {
	Name     string   `json:"name"`
	HeightMM *float64 `json:"height_mm"`
	AgeS     *float64 `json:"age_s"`
	State    string   `json:"state"`
	Contact  bool     `json:"contact"`
	Cylinder *int     `json:"cylinder"`
}

// sweepEvent is the live event `sweep`.
type sweepEvent struct {
	ID        int64  `json:"id"`
	Job       int64  `json:"job"`
	Cylinder  int    `json:"cylinder"`
	Indicator string `json:"indicator"`
	State     string `json:"state"`
	Cause     string `json:"cause"`
	Direction int    `json:"direction"`
	Stored    int64  `json:"stored"`
}

// noticeEvent is the live event `notice`, and a standing notice of the bench.
type noticeEvent struct {
	Code string `json:"code"`
	Text string `json:"text"`
	Fix  string `json:"fix"`
}

// Publish hands one event of the bench to everybody who watches. It does not
// block and may be called from the bench's own goroutine.
func (s *Server) Publish(e acquire.Event) {
	switch {
	case e.Sweep != nil:
		n := e.Sweep
		s.hub.publish("sweep", sweepEvent{n.ID, n.Job, n.Cylinder, n.Indicator, n.State, n.Cause, n.Direction, n.Stored})
	case e.Notice != nil:
		s.hub.publish("notice", noticeEvent{e.Notice.Code, e.Notice.Text, e.Notice.Fix})
	case e.Stand != nil:
		s.hub.publish("calibration", standNewsDoc{e.Stand.Calibration, e.Stand.What, e.Stand.Stored})
	case e.Snapshot != nil:
		s.hub.publish("reading", s.readingOf(*e.Snapshot)) // the bench keeps the 33 ms between two
		if n := e.Snapshot.Stand; n != nil {
			s.hub.publish("calibration", standOf(*n))
		}
	}
}

func (s *Server) readingOf(n acquire.Snapshot) readingEvent {
	e := readingEvent{
		TS: float64(n.NowNS) / 1e9, AngleDeg: finite(n.Encoder.Value), AngleAgeS: finite(n.Encoder.AgeS),
		EncoderState: n.Encoder.Status, LastMotion: lastMotionDoc{MovedDeg: math.Abs(n.LastMoveDeg)}, StoredLedger: max(n.StoredLedger, s.hub.stored()),
		Indicators: make([]indicatorEvent, 0, len(n.Indicators)),
	}
	if n.LastMove != 0 {
		e.LastMotion.Direction = &n.LastMove
	}
	for _, i := range n.Indicators {
		e.Indicators = append(e.Indicators, indicatorEvent{
			Name: i.Name, HeightMM: finite(i.Value), AgeS: finite(i.AgeS), State: i.Status, Contact: i.Contact, Cylinder: positive(i.Cylinder),
		})
	}
	return e
}

// live streams events until the client leaves or the server ends.
func (s *Server) live(w http.ResponseWriter, r *http.Request) error {
	wake, ok := s.hub.join()
	if !ok {
		w.Header().Set("Connection", "close") // a watcher sent away must not hold the place of one who works
		return newProblem(http.StatusServiceUnavailable, "too-many-watchers", "Too many pages watch the bench",
			fmt.Sprintf("%d live streams are open", maxClients), "close pages that nobody looks at")
	}
	defer s.hub.leave(wake)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	lang := displayOf(r).Language
	seq, gap := s.hub.start(r.Header.Get("Last-Event-ID"))
	c := client{w, http.NewResponseController(w)}
	if err := c.send("retry: 500\n\n"); err != nil {
		return nil
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	for {
		events, overtaken := s.hub.since(seq)
		text := s.hub.text(events, gap || overtaken, lang)
		if text != "" && c.send(text) != nil {
			return nil
		}
		gap = false
		if len(events) > 0 {
			seq = events[len(events)-1].seq
		}
		select {
		case <-wake:
		case <-beat.C:
			if c.send(": still here\n\n") != nil {
				return nil
			}
		case <-r.Context().Done():
			return nil
		}
	}
}

// text puts events on the wire, in a language. A gap comes first, with no id of its own, so
// that a reconnect after it still asks from where the client really was.
func (h *hub) text(events []liveEvent, gap bool, lang string) string {
	var b []byte
	if gap {
		b = append(b, "event: gap\ndata: {\"fix\":\"reload\"}\n\n"...)
	}
	for _, e := range events {
		b = fmt.Appendf(b, "id: %s\nevent: %s\ndata: %s\n\n", h.id(e.seq), e.name, e.in(lang))
	}
	return string(b)
}

// client is one live stream. Each write has its own deadline: a peer that went
// away without a word must not hold the connection for a quarter of an hour.
type client struct {
	w       http.ResponseWriter
	control *http.ResponseController
}

func (c client) send(text string) error {
	if err := c.control.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil {
		return err
	}
	if _, err := c.w.Write([]byte(text)); err != nil {
		return err
	}
	return c.control.Flush()
}
