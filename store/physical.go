package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"

	"crownmark/acquire"
)

// instrument is what a stream's digits mean.
type instrument struct {
	acquire.InstrumentConfig
	stream int64
}

func loadInstrument(ctx context.Context, q querier, stream int64) (i instrument, err error) {
	var kind, name, text string
	err = q.QueryRowContext(ctx, "SELECT kind, name, config_json FROM stream WHERE id = ?", stream).Scan(&kind, &name, &text)
	if err != nil {
		return i, fmt.Errorf("stream %d: %w", stream, err)
	}
	if err := json.Unmarshal([]byte(text), &i.InstrumentConfig); err != nil {
		return i, fmt.Errorf("stream %d: its kept configuration cannot be read; run `crownmark verify`: %w", stream, err)
	}
	i.stream, i.Kind, i.Name = stream, acquire.Kind(kind), name
	return i, nil
}

// gapNS: readings further apart than this have motion between them that was
// not kept.
const gapNS = 1e9

// stillDeg: a crank that comes back this near has not been turned; the bench
// goes on with a mount by the same rule.
const stillDeg = 2.0

// unwrap follows an encoder through one mount, over run-overs of its counter,
// over streams and gaps.
type unwrap struct {
	begun    bool
	last     acquire.Reading
	shift    int64 // ticks to add
	runsOver bool  // a run-over was seen without a gap
}

// angleDeg is the angle in configured direction. Where readings lie close
// together the shorter way is meant. Over a gap that is a guess, made only if it
// says that the crank stood still, or for a counter that was seen to run over:
// one that just counts may have gone far. Whole turns do not matter to a top.
func (u *unwrap) angleDeg(i *instrument, r *acquire.Reading) (float64, error) {
	if r.Unit != acquire.UnitDegree && i.CountsPerRev <= 0 {
		return 0, fmt.Errorf("stream %d counts, but its kept configuration has no counts_per_rev", i.stream)
	}
	if u.begun && r.Decimals == u.last.Decimals {
		perTurn := i.TicksPerTurn(r.Unit, r.Decimals)
		step := acquire.CountStep(u.last.Ticks, r.Ticks, perTurn)
		over := step - (r.Ticks - u.last.Ticks)
		near := r.Stream == u.last.Stream && r.AtNS-u.last.AtNS < gapNS
		u.runsOver = u.runsOver || near && over != 0
		still := math.Abs(float64(step)) <= stillDeg/360*perTurn
		if near || still || u.runsOver {
			u.shift += over
		}
	}
	u.begun, u.last = true, *r
	return i.AngleDeg(r.Ticks+u.shift, r.Unit, r.Decimals), nil
}
