package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"

	"crownmark/acquire"
)

const mmPerInch = 25.4

// instrument turns a stream's digits into degrees or millimetres.
type instrument struct {
	acquire.InstrumentConfig
	stream       int64
	session      int64
	sessionStart int64 // Unix ns
}

func loadInstrument(ctx context.Context, q querier, stream int64) (i instrument, err error) {
	var kind, name, text string
	err = q.QueryRowContext(ctx, `SELECT t.kind, t.name, t.config_json, t.session, p.start_unix_ns
		FROM stream t JOIN session p ON p.id = t.session WHERE t.id = ?`, stream).Scan(&kind, &name, &text, &i.session, &i.sessionStart)
	if err != nil {
		return i, fmt.Errorf("stream %d: %w", stream, err)
	}
	if err := json.Unmarshal([]byte(text), &i.InstrumentConfig); err != nil {
		return i, fmt.Errorf("stream %d: its kept configuration cannot be read; run `crownmark verify`: %w", stream, err)
	}
	i.stream, i.Kind, i.Name = stream, acquire.Kind(kind), name
	if i.Direction == 0 {
		i.Direction = 1
	}
	return i, nil
}

// heightMM is a reading's height as shown, in configured direction.
func (i *instrument) heightMM(r *acquire.Reading) float64 {
	v := float64(r.Ticks) / math.Pow10(int(r.Decimals))
	if r.Unit == acquire.UnitInch || r.Unit == acquire.UnitNone && i.Unit == "in" {
		v *= mmPerInch
	}
	return v * float64(i.Direction)
}

// angleDeg is a reading's angle in configured direction, as counted.
func (i *instrument) angleDeg(r *acquire.Reading) float64 {
	v := float64(r.Ticks) / math.Pow10(int(r.Decimals))
	if r.Unit != acquire.UnitDegree && i.CountsPerRev > 0 {
		v *= 360 / i.CountsPerRev
	}
	return v * float64(i.Direction)
}

// unwrap makes angles continuous where an instrument shows them within one
// turn. Whole turns do not matter to a top, so a gap cannot do harm.
type unwrap struct {
	last, turns float64
	begun       bool
}

func (u *unwrap) next(r *acquire.Reading, deg float64) float64 {
	if r.Unit == acquire.UnitDegree && u.begun {
		u.turns -= math.Round((deg - u.last) / 360)
	}
	u.last, u.begun = deg, true
	return deg + 360*u.turns
}
