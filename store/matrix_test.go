package store

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"crownmark/acquire"
	"crownmark/fit"
	"crownmark/fit/calibrate"
)

// laterOn is a wall clock that tests put forward.
type laterOn struct{ ns atomic.Int64 }

func (c *laterOn) now() time.Time { return time.Now().Add(time.Duration(c.ns.Load())) }

func (c *laterOn) pass(d time.Duration) { c.ns.Add(int64(d)) }

// told is how a sweep's indicator stood: the state, and the version of the
// certificate whose correction is applied (a minus: cited, not applied).
func told(t *testing.T, s *Store, w fit.Sweep) string {
	t.Helper()
	out := w.Calibrated.State
	if n := w.Calibrated.Certificate; n != 0 {
		version := strconv.FormatInt(must[Certificate](t)(s.Certificate(context.Background(), n)).Version, 10)
		if w.Correction == nil {
			version = "-" + version
		}
		out += " " + version
	} else if w.Correction != nil {
		out += " corrected"
	}
	return out
}

func toldAll(t *testing.T, s *Store, in fit.Input) (list []string) {
	for _, w := range in.Sweeps {
		list = append(list, told(t, s, w))
	}
	return list
}

// The flags' ground, over the life of an indicator: R it is registered; + a
// certificate that is good, - one that is not (c and f: conditional ones, o
// judges nothing), each due after a year; Y more than a year passes; S a sweep.
// then is how each sweep stood when it was made, now how it stands at the end.
func TestSweepsThroughTheLifeOfAnIndicator(t *testing.T) {
	for name, row := range map[string]struct {
		life      string
		then, now []string
	}{
		"not in the register":           {"S", []string{""}, []string{""}},
		"registered, never calibrated":  {"SRS", []string{"", "uncalibrated"}, []string{"", "uncalibrated"}},
		"first calibration is good":     {"SRS+S", []string{"", "uncalibrated", "in_force 1"}, []string{"", "uncalibrated", "in_force 1"}},
		"first calibration fails":       {"SRS-S", []string{"", "uncalibrated", "failed -1"}, []string{"doubted", "doubted", "failed -1"}},
		"in force":                      {"R+SS", []string{"in_force 1", "in_force 1"}, []string{"in_force 1", "in_force 1"}},
		"nothing judged is good":        {"RoS", []string{"in_force 1"}, []string{"in_force 1"}},
		"conditionally good":            {"RcS", []string{"in_force 1"}, []string{"in_force 1"}},
		"replaced":                      {"R+S+S", []string{"in_force 1", "in_force 2"}, []string{"in_force 1", "in_force 2"}},
		"expired":                       {"R+SYS", []string{"in_force 1", "expired 1"}, []string{"in_force 1", "expired 1"}},
		"expired, then good":            {"R+SYS+S", []string{"in_force 1", "expired 1", "in_force 2"}, []string{"in_force 1", "expired 1", "in_force 2"}},
		"failed":                        {"R+S-S", []string{"in_force 1", "failed -2"}, []string{"doubted 1", "failed -2"}},
		"failed conditionally":          {"R+SfS", []string{"in_force 1", "failed -2"}, []string{"doubted 1", "failed -2"}},
		"failed, then good":             {"R+S-S+S", []string{"in_force 1", "failed -2", "in_force 3"}, []string{"doubted 1", "failed -2", "in_force 3"}},
		"failed twice":                  {"R+S-S-S", []string{"in_force 1", "failed -2", "failed -3"}, []string{"doubted 1", "failed -2", "failed -3"}},
		"good, replaced, failed":        {"R+S+S-S", []string{"in_force 1", "in_force 2", "failed -3"}, []string{"in_force 1", "doubted 2", "failed -3"}},
		"expired, then failed":          {"R+YS-S", []string{"expired 1", "failed -2"}, []string{"doubted 1", "failed -2"}},
		"failed, and a year passes":     {"R-SYS", []string{"failed -1", "failed -1"}, []string{"failed -1", "failed -1"}},
		"good again after failing once": {"R-S+SYS", []string{"failed -1", "in_force 2", "expired 2"}, []string{"failed -1", "in_force 2", "expired 2"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := live(t, row.life)
			if got := toldAll(t, l.s, l.input()); !slices.Equal(got, row.now) {
				t.Errorf("%s: now %q, want %q", row.life, got, row.now)
			}
			for i, w := range l.made {
				st := must[Standing](t)(l.s.Standing(context.Background(), l.job, w))
				if got := told(t, l.s, st.Input.Sweeps[i]); got != row.then[i] || got != l.told[i] {
					t.Errorf("%s: sweep %d was told as %q, and as of then as %q; want %q", row.life, i+1, l.told[i], got, row.then[i])
				}
			}
			l.cited(row.now)
			l.touched(row.now)
			verifyOK(t, l.s)
		})
	}
}

// life is a store in which an indicator has lived through something.
type life struct {
	t     *testing.T
	s     *Store
	job   int64
	made  []int64  // the ledger of each sweep
	told  []string // how it stood just then
	dial  int64
	clock *laterOn
}

func live(t *testing.T, events string) *life {
	t.Helper()
	ctx := context.Background()
	l := &life{t: t, clock: &laterOn{}}
	o := testOptions(t)
	o.now = l.clock.now
	l.s = open(t, o)
	l.job = newJob(t, l.s).ID
	b := startBench(t, l.s, l.job)
	b.confirmDirection(1)
	verdicts := map[rune]string{'+': calibrate.Pass, '-': calibrate.Fail, 'c': calibrate.ConditionalPass, 'f': calibrate.ConditionalFail, 'o': ""}
	for _, event := range events {
		switch event {
		case 'R':
			l.dial = addInstrument(t, l.s, dialRecord("dial", "left")).ID
		case 'Y':
			const year = 400 * 24 * time.Hour
			l.clock.pass(year)
			b.tNS += int64(year)
		case 'S':
			b.sweep(60, 5)
			l.made = append(l.made, l.s.Stats().HeadLedger)
			in := l.input()
			l.told = append(l.told, told(t, l.s, in.Sweeps[len(in.Sweeps)-1]))
			must[Report](t)(l.s.IssueReport(ctx, l.job, "test", wrote(fmt.Appendf(nil, "%q", l.told))))
		default:
			due := l.clock.now().AddDate(1, 0, 0)
			cal := takeCalibration(t, l.s, NewCalibration{Instrument: l.dial})
			b.res = must[acquire.Resume](t)(l.s.Resume(ctx))
			certify(t, l.s, cal, verdicts[event], &due)
		}
	}
	return l
}

func (l *life) input() fit.Input {
	l.t.Helper()
	in, _ := input(l.t, l.s, l.job)
	return in
}

// cited holds what a report would cite against the sweeps.
func (l *life) cited(now []string) {
	l.t.Helper()
	st := must[Standing](l.t)(l.s.Standing(context.Background(), l.job, 0))
	got := make([]string, len(now))
	for _, a := range st.Applied {
		text := a.State
		if a.Certificate != nil {
			text += " " + strconv.FormatInt(a.Certificate.Version, 10)
		}
		for _, id := range a.Sweeps {
			got[id-1] = text
		}
		if a.Name != "dial" || a.Indicator != "left" || a.Instrument != l.dial {
			l.t.Errorf("%+v", a)
		}
	}
	want := slices.Clone(now)
	for i := range want {
		want[i] = strings.Replace(want[i], "-", "", 1)
	}
	if !slices.Equal(got, want) {
		l.t.Errorf("cited %q, want %q", got, want)
	}
}

// touched holds the reverse way against the flags: of the last time that the
// indicator failed, every sweep in doubt or made with it then, and no other.
func (l *life) touched(now []string) {
	l.t.Helper()
	if l.dial == 0 {
		return
	}
	got := must[Touched](l.t)(l.s.Touched(context.Background(), l.dial))
	var want, had []int64
	for i, state := range now {
		if strings.HasPrefix(state, fit.CalibrationDoubted) || strings.HasPrefix(state, fit.CalibrationFailed) {
			want = append(want, int64(i+1))
		}
	}
	for _, j := range got.Jobs {
		had = append(had, j.Sweeps...)
	}
	if !slices.Equal(had, want) || (got.Failed != nil) != (len(want) > 0) {
		l.t.Errorf("touched %v, want %v; failed %v", had, want, got.Failed)
	}
	if len(want) == 0 {
		return
	}
	var reports []int64 // one was issued after each sweep
	for n := want[0]; n <= int64(len(now)); n++ {
		reports = append(reports, n)
	}
	if j := got.Jobs[0]; !slices.Equal(j.Reports, reports) || !slices.Equal(j.Cylinders, []int{1}) || j.Name != "Practice four" {
		l.t.Errorf("%+v, want reports %v", j, reports)
	}
	for i, n := range reports { // and none of them changed
		if r := must[Report](l.t)(l.s.Report(context.Background(), n)); string(r.Document) != fmt.Sprintf("%q", l.told[:want[0]+int64(i)]) {
			l.t.Errorf("report %d: %s", n, r.Document)
		}
	}
}

// A certificate changes the revision of the jobs that it makes stand otherwise,
// and of no other.
func TestRevisionFollowsTheRegister(t *testing.T) {
	ctx := context.Background()
	l := live(t, "R+S")
	revision := func() string { return must[string](t)(l.s.Revision(ctx, l.job)) }
	certify2 := func() {
		certify(t, l.s, takeCalibration(t, l.s, NewCalibration{Instrument: l.dial}), calibrate.Fail, nil)
	}
	first := revision()
	other := addInstrument(t, l.s, dialRecord("other", "right"))
	certify(t, l.s, takeCalibration(t, l.s, NewCalibration{Instrument: other.ID}), calibrate.Fail, nil)
	takeCalibration(t, l.s, NewCalibration{Instrument: l.dial, Kind: KindCheck})
	if got := revision(); got != first {
		t.Errorf("another instrument changed %s to %s", first, got)
	}
	certify2()
	second := revision()
	if _, in := input(t, l.s, l.job); second == first || in != second {
		t.Errorf("the next certificate failed, and the revision went from %s to %s (input's %s)", first, second, in)
	}
	certify2() // the one after the next says nothing of these sweeps
	if got := revision(); got != second {
		t.Errorf("a later certificate changed %s to %s", second, got)
	}
}
