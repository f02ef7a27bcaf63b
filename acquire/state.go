package acquire

// InstrumentConfig is one [encoder] or [[indicator]] table of the bench file,
// checked. In JSON it is kept with every stream, so that Ticks can be turned
// into mm or degrees, and priors stated, years later.
type InstrumentConfig struct {
	Kind    Kind   `json:"kind"`
	Name    string `json:"name"` // "encoder", or the indicator's name
	Port    string `json:"port"`
	Baud    int    `json:"baud"`
	Frame   string `json:"frame"`  // "8N1", "7E1", …
	Format  string `json:"format"` // one of wire.Formats
	Pattern string `json:"pattern,omitempty"`

	Encoding  string  `json:"encoding,omitempty"`   // bcd-frame: "hex" or "packed"
	UnitID    int     `json:"unit_id,omitempty"`    // modbus-rtu, as are the next
	Function  int     `json:"function,omitempty"`   // 3 or 4
	Register  int     `json:"register,omitempty"`   // from 0
	Type      string  `json:"type,omitempty"`       // "int32", …
	WordOrder string  `json:"word_order,omitempty"` // "high-first" or "low-first"
	Scale     float64 `json:"scale,omitempty"`      // raw × scale = mm or counts; 0 is 1

	Direction int `json:"direction"` // +1 or −1

	// ArrivalsKept: it tells its own time, and its readings are kept with their
	// arrivals all the same. Streams from before this was so lack it.
	ArrivalsKept bool `json:"arrivals_kept,omitempty"`

	// Encoder.
	CountsPerRev     float64  `json:"counts_per_rev,omitempty"`
	EccentricityUDeg *float64 `json:"eccentricity_u_deg,omitempty"` // nil: undeclared
	AccuracyUDeg     *float64 `json:"accuracy_u_deg,omitempty"`
	AngleUDeg        float64  `json:"angle_u_deg,omitempty"` // above 0: angles read off degree marks, and how well
	LashDeg          float64  `json:"lash_deg,omitempty"`    // from [alignment]
	LashUDeg         float64  `json:"lash_u_deg,omitempty"`  // from [alignment]

	// Indicator.
	Unit         string  `json:"unit,omitempty"` // "mm" or "in", used where the line names none
	ResolutionMM float64 `json:"resolution_mm,omitempty"`
	Request      string  `json:"request,omitempty"` // bytes that ask for a reading, already unescaped
	IntervalMS   int     `json:"interval_ms,omitempty"`
	LatencyMS    float64 `json:"latency_ms"`
	LatencyUMS   float64 `json:"latency_u_ms"`
	LatencyOpen  bool    `json:"latency_open,omitempty"` // the bench file says nothing of the delay
}

// SweepConfig is the bench file's [sweep] table.
type SweepConfig struct {
	IdleS       float64 `json:"idle_s"`
	MotionDeg   float64 `json:"motion_deg"`
	ReversalDeg float64 `json:"reversal_deg"`
	ContactMM   float64 `json:"contact_mm"`
	MinSpanDeg  float64 `json:"min_span_deg"`
	WindowDeg   float64 `json:"window_deg"`
}

// DefaultSweepConfig are the contract's defaults.
func DefaultSweepConfig() SweepConfig {
	return SweepConfig{IdleS: 30, MotionDeg: 0.3, ReversalDeg: 1.0, ContactMM: 0.02, MinSpanDeg: 6, WindowDeg: 60}
}

// Config is what a Bench needs to know.
type Config struct {
	Name       string
	Encoder    InstrumentConfig
	Indicators []InstrumentConfig
	Sweep      SweepConfig
}

// What an instrument whose port is open, or being opened, is doing.
const (
	StatusLive    = "live"    // it is heard
	StatusWaiting = "waiting" // nothing has come yet
	StatusSilent  = "silent"  // it spoke, and has not for too long; or should have by now
	StatusGarbled = "garbled" // its lines cannot be read
	StatusByEye   = "by_eye"  // a person reads it
)

// InstrumentState is one instrument as the bench sees it now.
type InstrumentState struct {
	Kind                  Kind
	Name, Port            string
	Live                  bool   // true only after a valid reading since the port was (re)opened
	Status                string // StatusLive …, or why its port is not open: a PortTrouble
	Detail                string // the same with cause and cure, in a sentence
	Stream                int64  // 0: not open
	LastSeq               int64
	LastNS                int64    // monotonic, of the last valid reading; 0: none
	AgeS                  *float64 // age of the last valid reading; nil: none yet
	Value                 *float64 // degrees (unwrapped, configured direction) or mm; nil: none yet
	Raw                   string   // last raw line
	Contact               bool     // indicators: the plunger is in contact and moving the needle
	RestMM                *float64 // indicators: what the free plunger's stop shows; nil: not seen yet
	Cylinder              int      // indicators: selected cylinder, 0: none
	Mount, Setup, Zeroing int
	LatencyTimerMS        int     // of its adapter; 0: it has none
	ResolutionMM          float64 // indicators: the display's step as learnt from its digits; 0: not seen yet
	Rhythm                Rhythm
	Config                InstrumentConfig
	Identity              string    // what the system says of the device, as last opened
	Lines                 []Line    // the last it said, oldest first
	OwnClock              *OwnClock // nil: its lines tell no time
}

// RunningSweep is a sweep being recorded.
type RunningSweep struct {
	ID, Job   int64
	Cylinder  int
	Indicator string
	Direction int
	SpanDeg   float64
	Paused    bool
	Readings  int64
}

// Snapshot is the bench now. It is immutable.
type Snapshot struct {
	NowNS        int64
	Encoder      InstrumentState
	Indicators   []InstrumentState
	Selection    Selection
	Running      []RunningSweep
	Recording    bool
	LastMove     int         // direction of the last motion, +1, −1, 0 none yet
	LastMoveDeg  float64     // how far it went
	Stand        *StandState // the guided calibration that runs; nil: none
	StoredLedger int64       // last commit that reached the disk
	Notices      []Notice    // standing ones, newest first
}

// Notice is something a person should know, with what to do about it.
type Notice struct {
	Code, Text, Fix string
	AtNS            int64
}

// SweepNews tells that a sweep began, went on, paused or ended.
type SweepNews struct {
	ID        int64
	Job       int64
	Cylinder  int
	Indicator string
	State     string // "running" | "complete"
	Cause     string // why it ended
	Direction int
	Stored    int64 // readings stored so far
}

// Event is what Bench tells its listener: exactly one field is set.
type Event struct {
	Snapshot *Snapshot // at most one per 33 ms, only when something was read
	Sweep    *SweepNews
	Notice   *Notice
	Stand    *StandNews
}

// UnusedReason says why bytes or a reading were not used. Every one of them is
// counted, by instrument.
type UnusedReason string

const (
	UnusedGarbage   UnusedReason = "garbage"          // a line that no pattern fits
	UnusedPartial   UnusedReason = "partial"          // half a line (first after opening, or cut by a lost port)
	UnusedTooLong   UnusedReason = "too_long"         // no line end for 256 bytes
	UnusedError     UnusedReason = "instrument_error" // the instrument itself reported an error
	UnusedRange     UnusedReason = "out_of_range"     // a number no such instrument can show
	UnusedNoise     UnusedReason = "line_noise"       // NUL bytes: parity errors and breaks
	UnusedOverrun   UnusedReason = "overrun"          // the store could not keep up and the queue was full
	UnusedUnwatched UnusedReason = "not_recording"    // valid, shown live, but no job selected or nothing moving
)

// Unused lists every reason, for metrics that must exist before they count.
func Unused() []UnusedReason {
	return []UnusedReason{UnusedGarbage, UnusedPartial, UnusedTooLong, UnusedError, UnusedRange, UnusedNoise, UnusedOverrun, UnusedUnwatched}
}

// InstrumentStats are running totals of one instrument since start.
type InstrumentStats struct {
	Kind     Kind
	Name     string
	Up       bool
	Readings int64 // valid ones
	Bytes    int64
	Reopens  int64
	Unused   map[UnusedReason]int64
	LastNS   int64
	AgeS     *float64
	Rhythm   Rhythm
}

// Stats are the bench's running totals since start; dashboards exports them.
type Stats struct {
	Instruments []InstrumentStats
	Sweeps      map[string]int64 // ended sweeps by cause, all of Causes()
	QueueLen    int              // readings that wait to be stored
}
