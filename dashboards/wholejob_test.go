package dashboards

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"crownmark/acquire"
	"crownmark/acquire/virtual"
	"crownmark/store"
)

// wholeJob does a whole job on a virtual engine and keeps what its instruments
// said in a real store, as a bench would: direction confirmed, one mark pressed.
func wholeJob(t testing.TB, k *store.Store, name string) {
	t.Helper()
	e := engineNamed(t, name)
	virtualJob(t, k, store.NewJob{Name: e.Name + ", second build", Engine: e, Actor: "test"}, truthOf(e, 5), 0)
}

// virtualJob makes a job and does it where that is so; the marks are pressed three times each.
func virtualJob(t testing.TB, k *store.Store, n store.NewJob, truth virtual.Truth, marks ...float64) int64 {
	t.Helper()
	job, _, err := k.CreateJob(t.Context(), n)
	if err != nil {
		t.Fatal(err)
	}
	before, err := k.Resume(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	plan := virtual.DefaultPlan()
	plan.Marks = marks
	r := &recorded{t: t, k: k, truth: truth, job: job.ID, ind: map[string]int64{}, seq: map[int64]int64{}, encoder: before.LastStream + 1,
		mount: before.LastMount, zeroing: before.LastZeroing, setups: before.LastSetup, data: before.LastDatum, ids: before.LastSweep}
	r.open()
	hooks := virtual.Hooks{
		OnDirection: func(*virtual.Operator) error {
			r.b.Directions = append(r.b.Directions, acquire.DirectionConfirmed{Job: job.ID, Sign: 1, MovedDeg: 12, EncStream: r.encoder, EncSeq: r.seq[r.encoder], AtNS: r.now})
			return nil
		},
		OnSweepDone: func(*virtual.Operator, int, int) error { r.end(); return nil },
		OnMark: func(_ *virtual.Operator, deg float64) error {
			r.b.Marks = append(r.b.Marks, acquire.MarkPress{Job: job.ID, MarkDeg: deg, EncStream: r.encoder, EncSeq: r.seq[r.encoder], Approach: 1, AtNS: r.now})
			return nil
		},
	}
	if err := virtual.SimulateScript(t.Context(), truth, virtual.Job(plan, hooks), r.row); err != nil {
		t.Fatal(err)
	}
	r.keep()
	return job.ID
}

// recorded turns the virtual bench's rows into a bench's batches.
type recorded struct {
	t         testing.TB
	k         *store.Store
	truth     virtual.Truth
	job       int64
	encoder   int64            // its stream
	ind       map[string]int64 // stream by indicator
	seq       map[int64]int64  // by stream
	b         acquire.Batch
	now       int64
	setup     int
	mount     int // the last of the jobs before; setups and zeroing likewise
	setups    int
	zeroing   int
	sweep     *acquire.SweepBegin
	from, deg float64
	data, ids int64
}

func (r *recorded) open() {
	ecc, acc := 0.02, 0.01
	configs := []acquire.InstrumentConfig{{Kind: acquire.KindEncoder, Name: "encoder", Port: "/dev/virtual-encoder", Baud: 115200, Frame: "8N1", Format: "line",
		Direction: r.truth.Encoder.Direction, CountsPerRev: float64(r.truth.Encoder.CountsPerRev), EccentricityUDeg: &ecc, AccuracyUDeg: &acc, LashUDeg: 0.2}}
	for _, i := range r.truth.Indicators {
		configs = append(configs, acquire.InstrumentConfig{Kind: acquire.KindIndicator, Name: i.Name, Port: "/dev/virtual-" + i.Name, Baud: 38400, Frame: "8N1", Format: "line",
			Direction: 1, Unit: "mm", ResolutionMM: 0.001, LatencyUMS: 50, LatencyOpen: true})
	}
	for n, c := range configs {
		text, err := json.Marshal(c)
		if err != nil {
			r.t.Fatal(err)
		}
		id := r.encoder + int64(n)
		if n > 0 {
			r.ind[c.Name] = id
		}
		r.b.Streams = append(r.b.Streams, acquire.StreamOpened{ID: id, Kind: c.Kind, Name: c.Name, Port: c.Port, Identity: fmt.Sprintf("virtual-%d", id), ConfigJSON: string(text)})
	}
	r.datum(r.encoder, acquire.DatumMount, r.mount+1)
}

func (r *recorded) datum(stream int64, kind acquire.DatumKind, number int) {
	r.data++
	r.b.Data = append(r.b.Data, acquire.Datum{ID: r.data, Stream: stream, FromSeq: r.seq[stream] + 1, Kind: kind, Number: number, Cause: "start"})
}

func (r *recorded) row(row virtual.Row) error {
	r.now = int64(math.Round(row.TS * 1e9))
	reading := acquire.Reading{Stream: r.encoder, AtNS: r.now, Ticks: row.Count, Unit: acquire.UnitCount, Raw: []byte(row.Text)}
	if row.HeightMM != nil {
		reading.Stream, reading.Ticks, reading.Decimals, reading.Unit = r.ind[row.Indicator], int64(math.Round(*row.HeightMM*1e4)), 4, acquire.UnitMM
		r.begin(row, reading.Stream)
	}
	r.deg = row.AngleDeg
	r.seq[reading.Stream]++
	reading.Seq = r.seq[reading.Stream]
	r.b.Readings = append(r.b.Readings, reading)
	return nil
}

func (r *recorded) begin(row virtual.Row, stream int64) {
	if row.Setup != r.setup {
		r.setup = row.Setup
		r.datum(stream, acquire.DatumSetup, r.setups+row.Setup)
		r.datum(stream, acquire.DatumZeroing, r.zeroing+row.Zeroing)
	}
	if r.sweep == nil {
		r.ids++
		r.from = row.AngleDeg
		r.sweep = &acquire.SweepBegin{ID: r.ids, Job: r.job, Cylinder: row.Cylinder, Indicator: row.Indicator, IndStream: stream, IndFrom: r.seq[stream] + 1,
			EncStream: r.encoder, EncFrom: r.seq[r.encoder], DetectorJSON: "{}", AtNS: r.now}
		if r.truth.Indicators[0].Faulty() { // its plunger was seen on its stop
			r.sweep.DetectorJSON = fmt.Sprintf(`{"rest_mm":%g}`, *row.RestMM)
		}
		r.b.Begins = append(r.b.Begins, *r.sweep)
	}
}

func (r *recorded) end() {
	way := 1
	if r.deg < r.from {
		way = -1
	}
	r.b.Ends = append(r.b.Ends, acquire.SweepEnd{Sweep: r.sweep.ID, IndTo: r.seq[r.sweep.IndStream], EncTo: r.seq[r.encoder], Direction: way, Cause: "reversal", AtNS: r.now})
	r.sweep = nil
	r.keep()
}

func (r *recorded) keep() {
	r.t.Helper()
	if _, err := r.k.Record(r.t.Context(), r.b); err != nil {
		r.t.Fatal(err)
	}
	r.b = acquire.Batch{}
}
