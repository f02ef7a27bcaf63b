package sweepcsv_test

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"crownmark/fit"
	"crownmark/fit/sweepcsv"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func itoa(i int) string { return strconv.Itoa(i) }

// Whatever is written comes back the very same, in whatever order the rows
// stand: numbers to the last bit, shared streams as one.
func TestWrittenSweepsComeBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		mounts := rapid.IntRange(1, 3).Draw(t, "mounts")
		shared := map[int]*fit.Series{}
		var rows []sweepcsv.Row
		for m := 1; m <= mounts; m++ {
			if rapid.Bool().Draw(t, "shared stream") {
				s := climb(t)
				shared[m] = &s
				rows = append(rows, encoderRows(sweepcsv.Row{Mount: m}, s)...)
			}
		}
		var want []fit.Sweep
		for i := range rapid.IntRange(1, 5).Draw(t, "sweeps") {
			id, cylinder := int64(i+1), rapid.IntRange(1, 4).Draw(t, "cylinder")
			s := fit.Sweep{ID: id, Cylinder: cylinder, Indicator: rapid.SampledFrom([]string{"", "left", `a "b", c`}).Draw(t, "indicator"),
				Mount: rapid.IntRange(1, mounts).Draw(t, "mount"), Setup: i + 1, Zeroing: rapid.IntRange(1, 3).Draw(t, "zeroing"),
				Height: anything(t), DeckZero: rapid.Bool().Draw(t, "deck")}
			if rapid.Bool().Draw(t, "rest known") {
				rest := rapid.Float64Range(-50, 0).Draw(t, "rest")
				s.RestMM = &rest
			}
			label := sweepcsv.Row{Sweep: &id, Cylinder: &cylinder, Indicator: s.Indicator, Mount: s.Mount, Setup: s.Setup, Zeroing: s.Zeroing, RestMM: s.RestMM}
			if s.DeckZero {
				label.ZeroOn = "deck"
			}
			beside := (*fit.Series)(nil)
			switch s.Encoder = shared[s.Mount]; {
			case rapid.Bool().Draw(t, "own stream"):
				own := climb(t)
				s.Encoder = &own
				rows = append(rows, encoderRows(label, own)...)
			case s.Encoder == nil:
				beside = &fit.Series{T: s.Height.T, V: climbing(t, len(s.Height.T)), Late: s.Height.Late}
				s.Encoder = beside
			}
			rows = append(rows, heightRows(label, s.Height, beside)...)
			want = append(want, s)
		}
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "order"), 0)).Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
		got, err := sweepcsv.Read("f.csv", write(t, rows))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got.Sweeps); diff != "" {
			t.Error(diff)
		}
		for i, s := range want {
			if e := shared[s.Mount]; e != nil && s.Encoder == e {
				first := slices.IndexFunc(want, func(o fit.Sweep) bool { return o.Encoder == e })
				if got.Sweeps[i].Encoder != got.Sweeps[first].Encoder {
					t.Error("a shared stream came back as two")
				}
			}
		}
	})
}

func write(t *rapid.T, rows []sweepcsv.Row) *bytes.Buffer {
	var b bytes.Buffer
	w := sweepcsv.NewWriter(&b, true).WithRest()
	for _, r := range rows {
		if err := w.Write(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return &b
}

// times grow strictly: rows of one time have no order to come back in.
func times(t *rapid.T, n int) []float64 {
	ts, at := make([]float64, n), rapid.Float64Range(-5, 1e6).Draw(t, "start")
	for i := range ts {
		at += rapid.Float64Range(0.001, 2).Draw(t, "step")
		ts[i] = at
	}
	return ts
}

func late(t *rapid.T, n int) []int {
	if !rapid.Bool().Draw(t, "bursts") {
		return nil
	}
	l := rapid.SliceOfN(rapid.IntRange(0, 3), n, n).Draw(t, "late")
	l[0] = 1
	return l
}

func anything(t *rapid.T) fit.Series {
	n := rapid.IntRange(1, 12).Draw(t, "heights")
	return fit.Series{T: times(t, n), V: rapid.SliceOfN(rapid.Float64Range(-1e4, 1e4), n, n).Draw(t, "mm"), Late: late(t, n)}
}

func climb(t *rapid.T) fit.Series {
	n := rapid.IntRange(1, 12).Draw(t, "angles")
	return fit.Series{T: times(t, n), V: climbing(t, n), Late: late(t, n)}
}

func climbing(t *rapid.T, n int) []float64 {
	v := rapid.SliceOfN(rapid.Float64Range(-400, 400), n, n).Draw(t, "deg")
	slices.Sort(v)
	return v
}

func encoderRows(label sweepcsv.Row, s fit.Series) []sweepcsv.Row {
	var rows []sweepcsv.Row
	for i := range s.T {
		r := label
		r.TS, r.AngleDeg = s.T[i], &s.V[i]
		if s.Late != nil {
			r.Burst = s.Late[i]
		}
		rows = append(rows, r)
	}
	return rows
}

func heightRows(label sweepcsv.Row, s fit.Series, beside *fit.Series) []sweepcsv.Row {
	rows := encoderRows(label, s)
	for i := range rows {
		rows[i].HeightMM, rows[i].AngleDeg = &s.V[i], nil
		if beside != nil {
			rows[i].AngleDeg = &beside.V[i]
		}
	}
	return rows
}

func TestWriterRefusesWhatCouldNotBeReadBack(t *testing.T) {
	t.Parallel()
	w := sweepcsv.NewWriter(&bytes.Buffer{}, false)
	nan, one, id := nan(), 1.0, int64(1)
	for _, r := range []sweepcsv.Row{{}, {AngleDeg: &nan}, {TS: nan, AngleDeg: &one}, {HeightMM: &one}, {HeightMM: &one, Sweep: &id}} {
		if w.Write(r) == nil {
			t.Errorf("%+v was written", r)
		}
	}
}

func nan() float64 { var zero float64; return zero / zero }

func TestAnEmptyFileHasItsHeader(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	if err := sweepcsv.NewWriter(&b, false).Flush(); err != nil || b.String() != "sweep,cylinder,t_s,angle_deg,height_mm,indicator,mount,setup,zeroing\n" {
		t.Error(err, b.String())
	}
}

func FuzzRead(f *testing.F) {
	f.Add("sweep,cylinder,t_s,angle_deg,height_mm\n1,1,0,0,0\n,,0,0,\n")
	f.Add("sweep,cylinder,t_s,angle_deg,height_in,burst,mount\n1,1,0,0,\"0\",2,1\n2,,1,3,,,2\n")
	f.Fuzz(func(t *testing.T, s string) {
		file, err := sweepcsv.Read("f.csv", strings.NewReader(s))
		if err == nil && len(file.Sweeps) == 0 {
			t.Error("neither sweeps nor an error")
		}
		for _, sw := range file.Sweeps {
			if len(sw.Height.T) != len(sw.Height.V) || !slices.IsSorted(sw.Height.T) || !slices.IsSorted(sw.Encoder.T) || sw.Mount < 1 || sw.Setup < 1 || sw.Zeroing < 1 {
				t.Errorf("%+v", sw)
			}
		}
	})
}
