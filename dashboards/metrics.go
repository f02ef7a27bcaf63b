package dashboards

import (
	"errors"
	"maps"
	"math"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"crownmark/acquire"
	"crownmark/store"
)

// metrics is what Prometheus sees. Running totals of bench and store are read
// when scraped; what happens between scrapes is counted in histograms.
type metrics struct {
	commitSeconds, lagSeconds, fitSeconds prometheus.Histogram
	fits                                  *prometheus.CounterVec
	scrape                                http.Handler
}

func newMetrics(o Options, h *hub) (*metrics, error) {
	m := &metrics{
		commitSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "crownmark_commit_duration_seconds", Help: "Time from the start of a commit to the disk's answer.",
			Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, 1, 5}}),
		lagSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "crownmark_commit_lag_seconds", Help: "Age of a commit's oldest reading when the disk answered.",
			Buckets: []float64{.05, .1, .15, .2, .3, .5, 1, 2.5, 5, 30}}),
		fitSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "crownmark_fit_duration_seconds", Help: "Time of one fit of a job's sweeps.",
			Buckets: []float64{.005, .01, .025, .05, .1, .25, .5, 1, 2.5, 10}}),
		fits: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "crownmark_fits_total", Help: "Fits by outcome: done, refused (sweeps that cannot be fitted), broken (a fault in the program)."}, []string{"outcome"}),
	}
	for _, outcome := range []string{"done", "refused", "broken"} {
		m.fits.WithLabelValues(outcome)
	}
	var errs []error
	for _, c := range []prometheus.Collector{m.commitSeconds, m.lagSeconds, m.fitSeconds, m.fits, newTotals(o, h), newRegisterMetrics(o.Store)} {
		errs = append(errs, o.Registry.Register(c))
	}
	m.scrape = promhttp.HandlerFor(o.Registry, promhttp.HandlerOpts{ErrorHandling: promhttp.ContinueOnError, MaxRequestsInFlight: 4})
	return m, errors.Join(errs...)
}

func (s *Server) scrape(w http.ResponseWriter, r *http.Request) error {
	s.metrics.scrape.ServeHTTP(w, r)
	return nil
}

func (m *metrics) committed(c store.Commit) {
	m.commitSeconds.Observe(c.Seconds)
	if c.Readings > 0 {
		m.lagSeconds.Observe(c.LagSeconds)
	}
}

func (m *metrics) fitted(seconds float64, err error) {
	m.fitSeconds.Observe(seconds)
	switch {
	case err == nil:
		m.fits.WithLabelValues("done").Inc()
	case errors.Is(err, errFitPanicked):
		m.fits.WithLabelValues("broken").Inc()
	default:
		m.fits.WithLabelValues("refused").Inc()
	}
}

// totals turns the Stats of bench and store into metrics at each scrape.
type totals struct {
	bench Bench
	store Store
	hub   *hub
	build []string

	readings, bytes, unused, up, reopens, age, sweeps, queue       *prometheus.Desc
	intervals, jitter, batch, missing                              *prometheus.Desc
	live, buildInfo                                                *prometheus.Desc
	commits, failures, rows, wal, file, free, waiting, state, head *prometheus.Desc
}

func newTotals(o Options, h *hub) *totals {
	d := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("crownmark_"+name, help, labels, nil)
	}
	simulated := "false"
	if o.Simulated {
		simulated = "true"
	}
	return &totals{bench: o.Bench, store: o.Store, hub: h, build: []string{o.Software, simulated},
		readings:  d("readings_total", "Valid readings since start.", "instrument"),
		bytes:     d("read_bytes_total", "Bytes read from the port since start.", "instrument"),
		unused:    d("unused_readings_total", "Lines and readings that were not used, by reason.", "instrument", "reason"),
		up:        d("port_up", "1 while the instrument's port is open and a valid reading was heard since.", "instrument"),
		reopens:   d("port_reopens_total", "Times the port was opened again.", "instrument"),
		age:       d("last_reading_age_seconds", "Age of the last valid reading; +Inf when none was heard.", "instrument"),
		intervals: d("reading_interval_seconds", "Times between valid readings, by our clock.", "instrument"),
		jitter:    d("arrival_jitter_seconds", "How late the latest of the last readings was stamped after the promptest, against an even rhythm; NaN when too few came.", "instrument"),
		batch:     d("arrival_batch_seconds", "Time between lumps of readings; 0 where they come one by one.", "instrument"),
		missing:   d("missing_readings_total", "Places of an even rhythm that stayed empty.", "instrument"),
		sweeps:    d("sweeps_total", "Ended sweeps by what ended them.", "cause"),
		queue:     d("record_queue_batches", "Batches that wait to be recorded."),
		live:      d("live_clients", "Live streams that are open."),
		buildInfo: d("build_info", "1; what runs, and whether its instruments are simulated.", "software", "simulated"),
		commits:   d("commits_total", "Commits that reached the disk."),
		failures:  d("commit_failures_total", "Commits that did not reach the disk."),
		rows:      d("stored_readings_total", "Readings that reached the disk."),
		wal:       d("wal_bytes", "Size of the write-ahead log."),
		file:      d("store_bytes", "Size of the database file."),
		free:      d("store_free_bytes", "Room left on the store's file system."),
		waiting:   d("store_waiting_requests", "Requests that wait for the store's writer."),
		state:     d("storage_state", "1 for the state that storage is in.", "state"),
		head:      d("ledger_head", "Number of the ledger's newest row."),
	}
}

func (t *totals) Describe(ch chan<- *prometheus.Desc) { prometheus.DescribeByCollect(t, ch) }

// collectRhythm puts what is known of an instrument's times.
func (t *totals) collectRhythm(put putFunc, name string, r acquire.Rhythm) {
	put(t.jitter, prometheus.GaugeValue, secondsOr(r.JitterMS, math.NaN()), name)
	put(t.batch, prometheus.GaugeValue, secondsOr(r.BatchMS, 0), name)
	put(t.missing, prometheus.CounterValue, float64(r.Missing), name)
}

func secondsOr(ms *float64, otherwise float64) float64 {
	if ms == nil {
		return otherwise
	}
	return *ms / 1000
}

// intervalHistogram is a histogram of times between readings as Prometheus has it.
func (t *totals) intervalHistogram(name string, h acquire.Histogram) prometheus.Metric {
	buckets, n := map[float64]uint64{}, uint64(0)
	for i, le := range acquire.IntervalBoundsMS() {
		n += uint64(h.Counts[i])
		buckets[le/1000] = n
	}
	n += uint64(h.Counts[len(h.Counts)-1])
	return prometheus.MustNewConstHistogram(t.intervals, n, h.SumS, buckets, name)
}

func (t *totals) Collect(ch chan<- prometheus.Metric) {
	put := func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, kind, v, labels...)
	}
	put(t.buildInfo, prometheus.GaugeValue, 1, t.build...)
	put(t.live, prometheus.GaugeValue, float64(t.hub.count()))
	t.collectBench(put)
	for _, i := range t.bench.Stats().Instruments {
		ch <- t.intervalHistogram(i.Name, i.Rhythm.Intervals)
	}
	t.collectStore(put)
}

type putFunc func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string)

func (t *totals) collectBench(put putFunc) {
	b := t.bench.Stats()
	put(t.queue, prometheus.GaugeValue, float64(b.QueueLen))
	for _, i := range b.Instruments {
		put(t.readings, prometheus.CounterValue, float64(i.Readings), i.Name)
		put(t.bytes, prometheus.CounterValue, float64(i.Bytes), i.Name)
		put(t.reopens, prometheus.CounterValue, float64(i.Reopens), i.Name)
		put(t.up, prometheus.GaugeValue, one(i.Up), i.Name)
		age := math.Inf(1)
		if i.AgeS != nil {
			age = *i.AgeS
		}
		put(t.age, prometheus.GaugeValue, age, i.Name)
		t.collectRhythm(put, i.Name, i.Rhythm)
		reasons := map[string]int64{}
		for _, reason := range acquire.Unused() {
			reasons[string(reason)] = 0
		}
		for reason, n := range i.Unused {
			reasons[string(reason)] = n
		}
		for reason, n := range reasons {
			put(t.unused, prometheus.CounterValue, float64(n), i.Name, reason)
		}
	}
	causes := map[string]int64{}
	for _, cause := range acquire.Causes() {
		causes[cause] = 0
	}
	maps.Copy(causes, b.Sweeps)
	for cause, n := range causes {
		put(t.sweeps, prometheus.CounterValue, float64(n), cause)
	}
}

func (t *totals) collectStore(put putFunc) {
	k := t.store.Stats()
	put(t.commits, prometheus.CounterValue, float64(k.Commits))
	put(t.failures, prometheus.CounterValue, float64(k.Failures))
	put(t.rows, prometheus.CounterValue, float64(k.Readings))
	put(t.wal, prometheus.GaugeValue, float64(k.WALBytes))
	put(t.file, prometheus.GaugeValue, float64(k.FileBytes))
	put(t.free, prometheus.GaugeValue, float64(k.FreeBytes))
	put(t.waiting, prometheus.GaugeValue, float64(k.Waiting))
	put(t.head, prometheus.GaugeValue, float64(k.HeadLedger))
	for _, state := range []string{store.StorageOK, store.StorageLow, store.StorageFull, store.StorageFailing} {
		put(t.state, prometheus.GaugeValue, one(k.Storage == state), state)
	}
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
