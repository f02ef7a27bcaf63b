//go:build !prometheus

package dashboards

import (
	"net/http"

	"crownmark/store"
)

type registry = *struct{}

// metrics stands in until the module names what client_golang itself needs.
type metrics struct{}

func newMetrics(Options, *hub) (*metrics, error) { return &metrics{}, nil }
func (m *metrics) committed(store.Commit)        {}
func (m *metrics) fitted(float64, error)         {}

func (s *Server) scrape(w http.ResponseWriter, r *http.Request) error {
	return newProblem(http.StatusNotImplemented, "no-metrics", "This build has no metrics", "it was made without them", "build with the tag prometheus")
}
