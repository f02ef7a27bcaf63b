package virtual

import (
	"context"
	"math"
)

// Row is one line of an instrument as a recording keeps it.
type Row struct {
	Sweep, Cylinder int // 0: an encoder's row that serves every sweep
	Indicator       string
	Mount           int
	ReclockDeg      float64  // how far the encoder's adapter stands turned on the crank
	Setup, Zeroing  int      // 0 on the encoder's rows
	TS              float64  // arrival, seconds, to the microsecond
	AngleDeg        float64  // in running direction; on height rows the encoder's last word before
	HeightMM        *float64 // nil: an encoder's row
	RestMM          *float64 // what the display shows on the resting stop in this zeroing, on height rows
	Count           int64    // the encoder's raw count, on its own rows
	Text            string   // the line as it came, without its line end
}

// Simulate does the job that plan describes on the bench that t describes and
// emits what was said, in order of arrival: every line of the encoder, and the
// indicators' lines within sweeps and in contact. The same truth and plan emit
// the same rows, bit for bit. The error is emit's first, or what makes the
// bench or the plan impossible.
func Simulate(t Truth, p Plan, emit func(Row) error) error {
	return SimulateScript(context.Background(), t, Job(p, Hooks{}), emit)
}

// SimulateScript is Simulate for a script of one's own; Unplug, Replug and
// Garbage fail in it, for want of ports.
func SimulateScript(ctx context.Context, t Truth, script Script, emit func(Row) error) error {
	rec := &recorder{emit: emit}
	b, err := newBench(t, rec)
	if err != nil {
		return err
	}
	rec.bench, rec.sweepOf = b, make([]int, len(b.inds))
	o := newOperator(ctx, b)
	o.labels = rec
	return script(o)
}

// recorder turns lines into rows.
type recorder struct {
	bench    *bench
	emit     func(Row) error
	sweeps   int
	sweepOf  []int // by indicator; 0: none running
	angleDeg float64
}

func (r *recorder) begin(cylinders []int) {
	for i, c := range r.bench.onCylinder {
		for _, swept := range cylinders {
			if c == swept {
				r.sweeps++
				r.sweepOf[i] = r.sweeps
			}
		}
	}
}

func (r *recorder) end() { clear(r.sweepOf) }

func (r *recorder) put(l line) error {
	if l.muted {
		return nil
	}
	row := Row{Mount: r.bench.mount, ReclockDeg: r.bench.reclockDeg, TS: math.Round(l.at*1e6) / 1e6, Text: l.text[:len(l.text)-2]}
	if l.port == 0 {
		r.angleDeg = r.bench.angleDeg(l.value)
		row.AngleDeg, row.Count = r.angleDeg, int64(l.value)
		return r.emit(row)
	}
	i := l.port - 1
	if r.sweepOf[i] == 0 || !l.contact {
		return nil
	}
	mm := l.value
	row.Sweep, row.Cylinder, row.Indicator = r.sweepOf[i], r.bench.onCylinder[i], r.bench.inds[i].Name
	row.Setup, row.Zeroing = r.bench.inSetup[i], r.bench.inSetup[i]
	rest := r.bench.restMM(i)
	row.AngleDeg, row.HeightMM, row.RestMM = r.angleDeg, &mm, &rest
	return r.emit(row)
}
