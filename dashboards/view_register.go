package dashboards

import (
	"context"
	"net/http"
	"slices"
	"time"

	"crownmark/acquire"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

// registerView is the shop's register.
type registerView struct {
	All       []registered
	Attention int          // how many of those kept are not in force
	Unlisted  []unlistedIn // plugged in, and not in the register
}

// unlistedIn is an instrument of the bench.
type unlistedIn struct{ Kind, Name, Identity, Port string }

// registered is one instrument as pages show it.
type registered struct {
	ID        int64
	Record    store.InstrumentRecord
	Revision  int64
	Retired   bool
	Standing  string
	Due       string // the day; "": none
	Latest    *store.Certificate
	LastCheck *checkMark
	OffChart  bool   // the last check is outside the limits
	Doubt     string // of a reference, with its unit
}

func (p calPlot) registered(i store.Instrument) registered {
	r := registered{ID: i.ID, Record: i.Record, Revision: i.Revision, Retired: i.State == store.LibraryRetired, Standing: i.Standing.State, Latest: i.Standing.Certificate, Doubt: "—"}
	if at := i.Standing.DueAt; at != nil {
		r.Due = at.UTC().Format(time.DateOnly)
	}
	if i.Record.IsReference() {
		r.Doubt = p.doubtOf(i.Record)
	}
	return r
}

// doubtOf is what a reference is known to.
func (p calPlot) doubtOf(r store.InstrumentRecord) string {
	if r.U95MM == nil {
		return p.say("not known")
	}
	_, unit := p.units()
	text := "±" + plainNumber(p.small(*r.U95MM)) + " " + unit
	if r.U95PerMMM > 0 {
		text += " + " + plainNumber(p.small(r.U95PerMMM)) + " " + unit + "/m"
	}
	return text
}

func (s *Server) calPlotOf(r *http.Request) calPlot {
	return calPlot{say: s.sayer(r), inch: displayOf(r).Length == "in"}
}

func (s *Server) allInstruments(ctx context.Context) ([]store.Instrument, error) {
	return store.All(func(p store.Page) ([]store.Instrument, *int64, error) { return s.store.Instruments(ctx, p) })
}

func (s *Server) allCertificates(ctx context.Context, instrument int64) ([]store.Certificate, error) {
	return store.All(func(p store.Page) ([]store.Certificate, *int64, error) {
		return s.store.Certificates(ctx, instrument, p)
	})
}

func (s *Server) allCalibrations(ctx context.Context, instrument int64) ([]store.Calibration, error) {
	return store.All(func(p store.Page) ([]store.Calibration, *int64, error) {
		return s.store.Calibrations(ctx, instrument, p)
	})
}

// keptReferences are those that an instrument can be held against now.
func (s *Server) keptReferences(ctx context.Context, p calPlot) (kept []registered, err error) {
	list, err := s.allInstruments(ctx)
	for _, i := range list {
		if i.Record.IsReference() && i.State == store.LibraryKept {
			kept = append(kept, p.registered(i))
		}
	}
	return kept, err
}

// pluggedIn are the instruments of the bench.
func pluggedIn(n acquire.Snapshot) []acquire.InstrumentState {
	return append([]acquire.InstrumentState{n.Encoder}, n.Indicators...)
}

func (s *Server) registerPage(w http.ResponseWriter, r *http.Request) error {
	list, err := s.allInstruments(r.Context())
	if err != nil {
		return err
	}
	p := s.calPlotOf(r)
	v := registerView{Unlisted: unlisted(s.bench.Snapshot(), list)}
	for _, i := range list {
		one := p.registered(i)
		if !i.Record.IsReference() {
			checks, err := s.store.Checks(r.Context(), i.ID)
			if err != nil {
				return err
			}
			one.LastCheck = lastCheck(checks)
			if c := p.chartOf(checks, i.Record.ResolutionMM); c != nil {
				one.OffChart = c.State == calibrate.Outside
			}
		}
		if !one.Retired && (one.Standing != store.StandingInForce || one.OffChart) {
			v.Attention++
		}
		v.All = append(v.All, one)
	}
	slices.SortStableFunc(v.All, func(a, b registered) int { return order(a.Retired) - order(b.Retired) })
	return s.render(w, r, http.StatusOK, "register", frame{Title: "Register", Here: "register", Page: v})
}

func order(last bool) int {
	if last {
		return 1
	}
	return 0
}

// Measuring are those that measure, References those they are held against.
func (v registerView) Measuring() []registered { return v.those(false) }

// References are the blocks and heads.
func (v registerView) References() []registered { return v.those(true) }

func (v registerView) those(references bool) (list []registered) {
	for _, i := range v.All {
		if i.Record.IsReference() == references {
			list = append(list, i)
		}
	}
	return list
}

// unlisted are the instruments of the bench that no record is linked to.
func unlisted(n acquire.Snapshot, list []store.Instrument) (out []unlistedIn) {
	for _, i := range pluggedIn(n) {
		if i.Config.ByEye() || i.Status == acquire.StatusByEye || i.Config.Port == "" {
			continue
		}
		if !slices.ContainsFunc(list, func(k store.Instrument) bool { return k.State == store.LibraryKept && linked(k.Record, i) }) {
			out = append(out, unlistedIn{string(i.Kind), i.Name, i.Identity, i.Config.Port})
		}
	}
	return out
}

// linked says whether a record is that of an instrument on the bench: an
// identity goes before a name.
func linked(r store.InstrumentRecord, i acquire.InstrumentState) bool {
	if r.Identity != "" && i.Identity != "" {
		return r.Identity == i.Identity
	}
	return r.BenchName != "" && r.BenchName == i.Name
}

// recordForm is the form of a record.
type recordForm struct {
	registered
	Kinds   []string
	Plugs   []plug
	Schemes []oneOf
	Limits  []limitField
	Usual   bool // some of them have a usual value
}

// limitField is a characteristic that can be limited.
type limitField struct {
	characteristic
	UsualMM *float64 // for such an indicator; nil: none is known
}

type plug struct {
	Name, Identity string
	Now            bool
}

func (p calPlot) recordForm(i registered, n acquire.Snapshot) recordForm {
	f := recordForm{registered: i, Kinds: store.RegisterKinds(), Schemes: choicesOf(i.Record.Scheme, calibrate.SchemeISO463, calibrate.SchemeISO13102, calibrate.SchemeJISB7503, calibrate.SchemeASMEB89, calibrate.SchemeOwn)}
	for _, on := range pluggedIn(n) {
		if on.Config.Port != "" {
			f.Plugs = append(f.Plugs, plug{on.Name, on.Identity, linked(i.Record, on)})
		}
	}
	if b := i.Record.BenchName; b+i.Record.Identity != "" && !slices.ContainsFunc(f.Plugs, func(g plug) bool { return g.Now }) {
		f.Plugs = append(f.Plugs, plug{b, i.Record.Identity, true}) // not on the bench now
	}
	var usual map[string]float64
	if i.Record.ResolutionMM > 0 && i.Record.RangeMM > 0 {
		usual = calibrate.DefaultLimits(i.Record.ResolutionMM, i.Record.RangeMM)
	}
	for _, key := range calibrate.CharacteristicNames() {
		c := characteristic{Key: key}
		c.Name, c.Means = characteristicWords(key)
		if mm := i.Record.LimitsMM[c.Key]; mm > 0 {
			c.LimitMM = &mm
		}
		field := limitField{characteristic: c}
		if v, ok := usual[c.Key]; ok {
			field.UsualMM, f.Usual = &v, true
		}
		f.Limits = append(f.Limits, field)
	}
	return f
}

func (s *Server) newInstrumentPage(w http.ResponseWriter, r *http.Request) error {
	n := s.bench.Snapshot()
	one := registered{Record: store.InstrumentRecord{Kind: store.RegisterIndicator}}
	for _, i := range pluggedIn(n) {
		if i.Name != "" && i.Name == r.URL.Query().Get("bench") {
			one.Record.Name, one.Record.BenchName, one.Record.Identity, one.Record.ResolutionMM = i.Name, i.Name, i.Identity, i.Config.ResolutionMM
			if i.Kind == acquire.KindEncoder {
				one.Record.Kind = store.RegisterEncoder
			}
		}
	}
	return s.render(w, r, http.StatusOK, "newinstrument", frame{Title: "Put an instrument into the register", Here: "register", Page: s.calPlotOf(r).recordForm(one, n)})
}
