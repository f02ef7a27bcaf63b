package store

import (
	"context"
	"fmt"
	"time"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/sweepcsv"
)

// HandReading is one pair of a sweep that a person read: a degree mark, and the
// height there.
type HandReading struct {
	Seq               int64
	MarkDeg, HeightMM float64
	Mark, Height      string // as typed, or the display's raw line
	TakenBack         bool   // left out by who read it
	At                time.Time
	tNS               int64
}

// HandReadings returns a sweep that a person read with all its pairs, those
// taken back too. ErrNotFound: no such sweep, or an encoder's.
func (s *Store) HandReadings(ctx context.Context, sweep int64) (Sweep, []HandReading, error) {
	w, err := s.span(ctx, s.readers, sweep)
	if err == nil && w.AngleUDeg == 0 {
		err = fmt.Errorf("sweep %d was not read off marks: %w", sweep, ErrNotFound)
	}
	if err != nil {
		return Sweep{}, nil, err
	}
	list, err := pairs(ctx, s.readers, &w)
	return w.Sweep, list, err
}

// pairs reads a hand sweep. Both readings of a pair have one seq and one moment,
// and were kept by one commit.
func pairs(ctx context.Context, q querier, w *span) (list []HandReading, err error) {
	height, err := loadInstrument(ctx, q, w.indStream)
	if err != nil {
		return nil, err
	}
	marks, err := loadInstrument(ctx, q, w.encStream)
	if err != nil {
		return nil, err
	}
	back, err := takenBack(ctx, q, w.indStream)
	if err != nil {
		return nil, err
	}
	at := map[int64]HandReading{} // marks by seq
	for r, err := range readings(ctx, q, w.encStream, w.encFrom, w.encTo) {
		if err != nil {
			return nil, err
		}
		at[r.Seq] = HandReading{Seq: r.Seq, MarkDeg: marks.AngleDeg(r.Ticks, r.Unit, r.Decimals), Mark: marks.RawText(r.Raw)}
	}
	for r, err := range readings(ctx, q, w.indStream, w.indFrom, w.indTo) {
		if err != nil {
			return nil, err
		}
		if p, ok := at[r.Seq]; ok {
			p.HeightMM, p.Height, p.TakenBack = height.HeightMM(r), height.RawText(r.Raw), back[r.Seq]
			p.At, p.tNS = time.Unix(0, w.sessionStartUnix+r.AtNS).UTC(), r.AtNS
			list = append(list, p)
		}
	}
	return list, nil
}

// takenBack are the readings of a stream that a person took back.
func takenBack(ctx context.Context, q querier, stream int64) (map[int64]bool, error) {
	type gap struct{ after, n int64 }
	gaps, err := collect(ctx, q, func(row scanner) (g gap, err error) { return g, row.Scan(&g.after, &g.n) },
		"SELECT after_seq, n FROM gap WHERE stream = ? AND reason = ?", stream, acquire.ReasonTakenBack)
	back := map[int64]bool{}
	for _, g := range gaps {
		for seq := g.after + 1; seq <= g.after+g.n; seq++ {
			back[seq] = true
		}
	}
	return back, err
}

// handSweep is a hand sweep as the fit takes it, an angle for each height. The
// marks are numbered in running direction whatever the encoder does.
func (l *loader) handSweep(w *span, sw *fit.Sweep) error {
	list, err := pairs(l.ctx, l.q, w)
	if err != nil {
		return err
	}
	sw.AngleUDeg, sw.Encoder, sw.Height = w.AngleUDeg, &fit.Series{}, fit.Series{}
	for _, p := range list {
		if p.TakenBack {
			continue
		}
		t := l.seconds(w.session, p.tNS)
		sw.Encoder.T, sw.Encoder.V = append(sw.Encoder.T, t), append(sw.Encoder.V, p.MarkDeg)
		sw.Height.T, sw.Height.V = append(sw.Height.T, t), append(sw.Height.V, p.HeightMM)
	}
	return nil
}

// exportHand writes what handSweep hands to the fit, each height beside its angle.
func (l *loader) exportHand(out *sweepcsv.Writer, w *span) error {
	list, err := pairs(l.ctx, l.q, w)
	if err != nil {
		return err
	}
	for _, p := range list {
		if p.TakenBack {
			continue
		}
		row := w.row(l.seconds(w.session, p.tNS))
		row.AngleDeg, row.HeightMM, row.AngleUDeg, row.Raw = &p.MarkDeg, &p.HeightMM, &w.AngleUDeg, p.Height
		if err := out.Write(row); err != nil {
			return err
		}
	}
	return nil
}

// row is what all rows of a sweep have in common.
func (w *span) row(tS float64) sweepcsv.Row {
	r := sweepcsv.Row{Sweep: &w.ID, Cylinder: &w.Cylinder, TS: tS, Indicator: w.Indicator,
		Mount: w.Mount, Setup: w.Setup, Zeroing: w.Zeroing, RestMM: w.RestMM, ReclockDeg: w.reclockDeg, Simulated: w.Simulated}
	if w.deckZero {
		r.ZeroOn = "deck"
	}
	return r
}

// handSamples hands a hand sweep's pairs out as Samples does.
func handSamples(ctx context.Context, q querier, w *span, f func(Sample) error) error {
	list, err := pairs(ctx, q, w)
	if err != nil {
		return err
	}
	for _, p := range list {
		if p.TakenBack {
			continue
		}
		err := f(Sample{Kind: acquire.KindIndicator, Seq: p.Seq, TS: float64(p.tNS-w.firstNS) / 1e9, AngleDeg: &p.MarkDeg, HeightMM: &p.HeightMM, Raw: p.Height})
		if err != nil {
			return err
		}
	}
	return nil
}

// allByHand says that every angle was read off marks, which are numbered in
// running direction and were seen to go the way that the crank was turned.
func (l *loader) allByHand() bool {
	for i := range l.sweeps {
		if l.sweeps[i].AngleUDeg == 0 {
			return false
		}
	}
	return len(l.sweeps) > 0
}
