// Package dashboards is what people and machines look at: the pages, the API,
// the live stream, the plots and the metrics. It reads the bench and the store
// and never touches a port.
package dashboards

import (
	"context"

	"crownmark/acquire"
)

// Bench is the running bench as the pages and the API need it. *acquire.Bench
// satisfies it.
type Bench interface {
	Snapshot() acquire.Snapshot
	Stats() acquire.Stats
	Select(ctx context.Context, s acquire.Selection) error
	Mark(ctx context.Context, job int64, markDeg float64) (acquire.MarkPress, error)
	Direction(ctx context.Context, job int64) (acquire.DirectionConfirmed, error)
	Zero(ctx context.Context, indicator, on string) (acquire.Datum, error)
}
