package dashboards

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"crownmark/store"
)

// registerMetrics are how the instruments of the register stand, as of a scrape.
// Retired ones are left out.
type registerMetrics struct {
	store                 Store
	due, deviation, state *prometheus.Desc
}

func newRegisterMetrics(k Store) *registerMetrics {
	d := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("crownmark_"+name, help, labels, nil)
	}
	return &registerMetrics{store: k,
		due:       d("calibration_due_timestamp_seconds", "When the calibration of an instrument in the register is due, Unix time.", "instrument"),
		deviation: d("check_deviation_meters", "Reading less reference of the latest check of an instrument in the register.", "instrument"),
		state:     d("calibration_state", "1 for the state that the calibration of an instrument in the register is in.", "instrument", "state"),
	}
}

func (m *registerMetrics) Describe(ch chan<- *prometheus.Desc) {
	ch <- m.due
	ch <- m.deviation
	ch <- m.state
}

const scrapeWithin = 5 * time.Second

func (m *registerMetrics) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), scrapeWithin)
	defer cancel()
	list, err := store.All(func(p store.Page) ([]store.Instrument, *int64, error) { return m.store.Instruments(ctx, p) })
	if err != nil {
		ch <- prometheus.NewInvalidMetric(m.state, err)
		return
	}
	put := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	for _, i := range list {
		if i.State != store.LibraryKept {
			continue
		}
		if i.Standing.DueAt != nil {
			put(m.due, float64(i.Standing.DueAt.Unix()), i.Record.Name)
		}
		if mm := i.Standing.LastCheckMM; mm != nil {
			put(m.deviation, *mm/1000, i.Record.Name)
		}
		for _, state := range store.Standings() {
			put(m.state, one(i.Standing.State == state), i.Record.Name, state)
		}
	}
}
