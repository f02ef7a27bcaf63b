package store

import (
	"log/slog"
	"time"

	"crownmark/acquire"
	"crownmark/fit/engine"
)

// Options say which file to open and in whose name.
type Options struct {
	Path      string // the database file; its folder must exist
	Software  string // name and version of this program, kept with the session
	BenchName string
	Simulated bool // what is recorded comes from a virtual bench
	ReadOnly  bool // no session, no writes; works beside a running writer
	Logger    *slog.Logger

	seams
}

// Page asks for at most Limit items (0: 100, at most 500) whose id is above After.
type Page struct {
	Limit int
	After int64
}

// Job is one engine on the bench, as its events leave it.
type Job struct {
	ID            int64
	Name          string
	State         string // "open" | "closed"
	Engine        engine.Engine
	EngineJSON    []byte // Engine in JSON, as kept
	Revision      int64  // 1 at first; each change of the engine adds one
	DirectionSign int    // +1 or −1: configured angles × sign grow in running direction; 0: not confirmed
	Simulated     bool
	CreatedAt     time.Time
	Selected      map[string]int // indicator → cylinder, if this job is the one selected; else nil

	Stage             string // of Stages(); "": not said
	CustomerReference string // the customer's own name for it
	Notes             string
	Tags              []string
	Order             []int // the cylinders as they will be swept, each once
	OrderGiven        bool  // Order was set; otherwise it follows from engine and stage
	LibraryEngine     int64 // the library's engine that Engine was copied from; 0: none
	Follows           int64 // the job before it on the same engine; 0: none
	Cautions          *Acknowledgement
}

// Acknowledgement is when and by whom the cautions were read.
type Acknowledgement struct {
	At    time.Time
	Actor string
}

// CautionsAt is when the cautions of this job were read; nil: not yet.
func (j Job) CautionsAt() *time.Time {
	if j.Cautions == nil {
		return nil
	}
	return &j.Cautions.At
}

// NewJob asks for a job. Engine must have been checked. Name "" takes the
// engine's.
type NewJob struct {
	Name           string
	Engine         engine.Engine
	Attributes     JobAttributes
	LibraryEngine  int64 // that Engine was copied from; 0: none
	Follows        int64 // the job before it on the same engine; 0: none
	Actor          string
	IdempotencyKey string // "": none
}

// JobPatch changes what is not nil.
type JobPatch struct {
	Name   *string
	State  *string        // "open" | "closed"
	Engine *engine.Engine // checked
	JobAttributes
	Actor string
}

// JobAttributes sets what is not nil. An empty Order is again the one that
// follows from engine and stage.
type JobAttributes struct {
	Stage             *string // of Stages(), or ""
	CustomerReference *string
	Notes             *string
	Tags              *[]string
	Order             *[]int
}

// Sweep states.
const (
	SweepRunning    = "running"
	SweepComplete   = "complete"
	SweepUnfinished = "unfinished" // its recording stopped without an end: a crash, a power cut
)

// Sweep is one sweep as its events leave it.
type Sweep struct {
	ID, Job               int64
	Cylinder              int // as last assigned
	Indicator             string
	State                 string // SweepRunning, SweepComplete or SweepUnfinished
	Cause                 string // why it ended, "" if it did not
	Reason                string // why it was set aside, "" if it is not
	Direction             int    // +1 in running direction (configured direction while that is unconfirmed), −1 against it, 0 not ended
	Mount, Setup, Zeroing int
	AngleUDeg             float64  // above 0: a person read it off degree marks, each to this standard uncertainty
	RestMM                *float64 // what the display shows on the plunger's resting stop in this zeroing; nil: not seen
	SetAside, Simulated   bool
	Readings              int64 // of the indicator, without those taken back
	StartedAt             time.Time
	EndedAt               *time.Time
}

// Sample is one stored reading of a sweep with what follows from it. Encoder
// readings have Count and no height; indicator readings have a height and the
// encoder's angle at that moment, linear between its neighbours.
type Sample struct {
	Kind     acquire.Kind
	Seq      int64
	TS       float64  // seconds; the sweep's first reading is at or after 0
	ArrivalS *float64 // nil: it is TS; else TS is by the instrument's own clock
	Burst    int      // above 0: TS is an upper bound
	AngleDeg *float64 // in running direction; nil: no encoder reading on both sides
	HeightMM *float64 // nil on encoder readings
	Count    *int64   // nil on indicator readings
	Raw      string
}

// Commit is one commit that reached the disk.
type Commit struct {
	Ledger     int64
	Rows       int     // rows of all tables but the ledger's own
	Readings   int     // of those
	Seconds    float64 // from BEGIN to the disk's answer
	LagSeconds float64 // age of its oldest reading when the disk answered; 0: no readings
}

// VerifyReport is what Verify found. Problems are in the order of the ledger,
// each naming ledger, table and row.
type VerifyReport struct {
	OK       bool
	Ledgers  int64
	Rows     int64
	HeadHash string // hex; keep it elsewhere: no chain can show that its tail was cut off
	Problems []string
}

// Storage states.
const (
	StorageOK      = "ok"
	StorageLow     = "low"     // little room left
	StorageFull    = "full"    // the last commit found no room
	StorageFailing = "failing" // the last commit failed otherwise
)

// Stats are running totals since Open.
type Stats struct {
	Commits, Rows, Readings int64
	Failures                int64 // commits that did not reach the disk
	WALBytes, FileBytes     int64
	FreeBytes               int64 // of the file system
	Waiting                 int   // requests waiting for the writer
	Storage                 string
	LastError               string // of the last failed commit while Storage is full or failing
	HeadLedger              int64
	HeadHash                string
}

// Report is an issued report, frozen.
type Report struct {
	Number   int64 // 1, 2, … within the store
	Job      int64
	Document []byte // nil in a list
	Hash     string // SHA-256 of Document, hex
	Actor    string
	IssuedAt time.Time
}
