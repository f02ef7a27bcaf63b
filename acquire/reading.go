// Package acquire reads instruments on serial ports, pairs what they say in
// time, finds sweeps and hands everything on to a Recorder. A cylinder is only
// a label here; geometry belongs to fit.
package acquire

import (
	"context"

	"crownmark/acquire/wire"
)

// Unit is the unit an instrument's line carries (or the configured default).
type Unit = wire.Unit

const (
	UnitNone   = wire.UnitNone
	UnitMM     = wire.UnitMM     // millimetres
	UnitInch   = wire.UnitInch   // inches; 1 in = 25.4 mm exactly
	UnitCount  = wire.UnitCount  // encoder counts
	UnitDegree = wire.UnitDegree // degrees of crank
)

// Kind says what a stream's instrument measures.
type Kind string

const (
	KindEncoder   Kind = "encoder"
	KindIndicator Kind = "indicator"
)

// Reading is one value as an instrument said it. It is never changed after it
// was made; corrections and fits are derived from it again when asked.
type Reading struct {
	Stream   int64 // id of the StreamOpened it belongs to
	Seq      int64 // 1, 2, 3, … within the stream
	AtNS     int64 // arrival of its first byte, monotonic nanoseconds since session start
	Burst    int   // position within one Read of the port; above 0, AtNS is an upper bound
	Ticks    int64 // all digits shown as one integer (or the count), sign included
	Decimals int8  // value = Ticks / 10^Decimals, in Unit
	Unit     Unit
	Raw      []byte // the line as it came, without its line end
	Index    bool   // encoders: the index pulse passed since the reading before; Raw says it
}

// StreamOpened announces one opening of one port by one instrument.
type StreamOpened struct {
	ID         int64
	Kind       Kind
	Name       string // "encoder" or the indicator's name
	Port       string // configured path
	Identity   string // what by-id or sysfs says of the device, "" if nothing
	ConfigJSON string // InstrumentConfig in JSON: what is needed to turn Ticks into mm or degrees
	OpenedNS   int64
}

// Gap records readings that are known to be missing or unusable.
type Gap struct {
	Stream   int64
	AfterSeq int64 // last good seq before the gap (0: none yet)
	AtNS     int64
	Reason   string // an UnusedReason, "port_lost", "overrun", …
	N        int64  // how many, 0 if unknown
	Raw      []byte // first offending bytes, truncated, may be nil
}

// DatumKind names what begins anew at a Datum.
type DatumKind string

const (
	DatumMount   DatumKind = "mount"   // encoder zero and coupling
	DatumSetup   DatumKind = "setup"   // one placement of an indicator
	DatumZeroing DatumKind = "zeroing" // one zero of an indicator's display
)

// Datum says that from Seq on (inclusive) a stream has a new mount, setup or zeroing.
type Datum struct {
	ID      int64
	Stream  int64
	FromSeq int64
	Kind    DatumKind
	Number  int    // unique within its kind over the store's life
	Cause   string // "start", "selection", "zero:deck", "lost_counts", …
}

// SweepBegin opens a span of readings. Seqs are inclusive and may lie in the
// past (motion is recognised late).
type SweepBegin struct {
	ID                 int64
	Job                int64
	Cylinder           int
	Indicator          string
	IndStream, IndFrom int64
	EncStream, EncFrom int64
	DetectorJSON       string
	AtNS               int64
}

// SweepEnd closes a sweep. A sweep without one is unfinished.
type SweepEnd struct {
	Sweep        int64
	IndTo, EncTo int64 // inclusive, back-dated to the extremum on a reversal
	Direction    int   // +1 angles (after the configured direction) grew, −1 they fell
	Cause        string
	AtNS         int64
}

// Selection says which cylinder each indicator stands on from now on. Job 0
// with no cylinders: nothing selected.
type Selection struct {
	Job       int64
	Cylinders map[string]int // indicator name → cylinder number
	AtNS      int64
	Actor     string
}

// MarkPress says that a damper mark stood under the pointer.
type MarkPress struct {
	Job       int64
	MarkDeg   float64 // as written on the damper; negative before the top
	EncStream int64
	EncSeq    int64
	Approach  int // direction of the last motion, +1 or −1, 0 unknown
	AtNS      int64
}

// DirectionConfirmed says that the last motion was in running direction.
type DirectionConfirmed struct {
	Job       int64
	Sign      int // +1: configured angles grow in running direction, −1: they fall
	MovedDeg  float64
	EncStream int64
	EncSeq    int64
	AtNS      int64
}

// CalibrationPoint is one point of a guided calibration: what the indicator
// said (a reading of the calibration's own stream) while the reference said
// ReferenceMM. Its reading comes in the same batch.
type CalibrationPoint struct {
	Calibration int64
	Run         int     // from 1
	Direction   string  // "up" (plunger moving in), "down" or "repeat"
	ReferenceMM float64 // what the reference says
	Stream, Seq int64   // of the reading
}

// Kinds of CalibrationEvent.
const (
	CalibrationTakenBack = "taken_back" // a point, which stays kept, does not count
	CalibrationTakenUp   = "taken_up"   // it goes on, after the program was started again
	CalibrationEnded     = "ended"      // no point comes after it
)

// CalibrationEvent is what happened to a calibration besides its points.
type CalibrationEvent struct {
	Calibration int64
	Kind        string
	Stream, Seq int64 // CalibrationTakenBack: of the point's reading, which may be in the same batch; else 0
	AtNS        int64
	Actor       string
}

// Batch is what is committed together: a sweep's begin or end, and the
// readings around it, share one transaction.
type Batch struct {
	Streams    []StreamOpened
	Readings   []Reading
	Gaps       []Gap
	Data       []Datum
	Begins     []SweepBegin
	Ends       []SweepEnd
	Selections []Selection
	Marks      []MarkPress
	Directions []DirectionConfirmed
	Points     []CalibrationPoint
	Calibrated []CalibrationEvent
}

// Empty reports whether there is nothing to commit.
func (b Batch) Empty() bool {
	return len(b.Streams)+len(b.Readings)+len(b.Gaps)+len(b.Data)+len(b.Begins)+len(b.Ends)+
		len(b.Selections)+len(b.Marks)+len(b.Directions)+len(b.Points)+len(b.Calibrated) == 0
}

// Recorder keeps batches. Record returns the ledger number of the commit that
// reached the disk, and only after it did. It may block; the bench calls it
// from one goroutine at a time and never from the port's own. After an error
// nothing of the batch may have been kept; the bench hands it in again, without
// the selections, marks and directions, whose askers are told the error. An
// error that wraps ErrRefused means that the batch can never be kept.
type Recorder interface {
	Record(ctx context.Context, b Batch) (ledger int64, err error)
}

// Resume is what the bench must know from before: the store fills it at start.
type Resume struct {
	LastStream, LastSweep, LastDatum  int64
	LastMount, LastSetup, LastZeroing int
	LastCount                         map[string]int64 // by encoder name: last raw count kept, for the 2° rule
	Selection                         *Selection       // nil: nothing selected
	HandMounts                        map[int64]int    // by job: the mount of the marks that were read last
}
