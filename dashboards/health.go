package dashboards

import (
	"net/http"

	"crownmark/acquire"
)

func (s *Server) healthz(w http.ResponseWriter, r *http.Request) error {
	return writeJSON(w, http.StatusOK, struct {
		Status   string `json:"status"`
		Software string `json:"software"`
	}{"alive", s.software})
}

// check is one thing that must be so for a sweep to be kept.
type check struct {
	Name   string `json:"name"`
	OK     bool   `json:"ok"`
	Detail string `json:"detail"`
}

// readyz is 200 when the store takes readings and every instrument is heard,
// otherwise 503; the document says which is not.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) error {
	checks := []check{{"store", true, "writable"}}
	if err := s.store.Writable(r.Context()); err != nil {
		checks[0] = check{"store", false, problemOf(err).Detail}
	}
	n := s.bench.Snapshot()
	for _, i := range append([]acquire.InstrumentState{n.Encoder}, n.Indicators...) {
		checks = append(checks, check{i.Name, i.Status == acquire.StatusLive || i.Status == acquire.StatusByEye, i.Detail})
	}
	d := struct {
		Ready  bool    `json:"ready"`
		Checks []check `json:"checks"`
	}{true, checks}
	status := http.StatusOK
	for _, c := range checks {
		if !c.OK {
			d.Ready, status = false, http.StatusServiceUnavailable
		}
	}
	return writeJSON(w, status, d)
}
