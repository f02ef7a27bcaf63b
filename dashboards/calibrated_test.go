package dashboards

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"crownmark/dashboards/report"
	"crownmark/fit"
	"crownmark/store"
)

// certifyDial calibrates instrument 1 and issues a certificate that says overall,
// due so many days from now.
func (a *api) certifyDial(overall string, days int) {
	a.t.Helper()
	c := beginCalibration(a.t, a.store, 1, 0, store.KindCalibration)
	recordPoints(a.t, a.store, c.ID, twoUM)
	_, _, err := a.store.IssueCertificate(a.t.Context(), store.NewCertificate{Instrument: 1, Calibration: c.ID, Actor: "test"}, func(number, version int64, at time.Time) ([]byte, error) {
		return fmt.Appendf(nil, `{"schema":"crownmark-certificate-1","number":%d,"version":%d,"overall":%q,"due_at":%q,"simulated":true,"result":{"correction":[{"reading_mm":0},{"reading_mm":100,"correction_mm":-0.1,"u95_mm":0.002}]}}`,
			number, version, overall, at.AddDate(0, 0, days).Format(time.RFC3339)), nil
	})
	if err != nil {
		a.t.Fatal(err)
	}
}

// raised are the flags about calibration that each swept cylinder has.
func raised(t *testing.T, x fit.Index) (list []string) {
	t.Helper()
	about := []string{fit.FlagUncalibrated, fit.FlagExpired, fit.FlagCalFailed, fit.FlagDoubted}
	for _, c := range x.Cylinders {
		var flags []string
		for _, flag := range c.Flags {
			if slices.Contains(about, flag) {
				flags = append(flags, flag)
			}
		}
		list = append(list, strings.Join(flags, " "))
	}
	return list
}

func (a *api) index(job int64) (x fit.Index) {
	a.t.Helper()
	if err := json.Unmarshal(a.want(200, a.call("GET", fmt.Sprintf("/api/v1/jobs/%d/index", job), "")).body, &x); err != nil {
		a.t.Fatal(err)
	}
	return x
}

func (a *api) issuedReport(number int) (d report.Document, body string) {
	a.t.Helper()
	r := a.want(200, a.call("GET", fmt.Sprintf("/api/v1/reports/%d", number), ""))
	if err := json.Unmarshal(r.body, &d); err != nil {
		a.t.Fatal(err)
	}
	return d, string(r.body)
}

// A job swept at one moment of an indicator's life is told in its index, its draft
// and its issued report as it stood then, and in index and draft as it stands at
// the end: the issued report never changes and still follows.
func TestFlagsThroughTheLifeOfAnIndicator(t *testing.T) {
	for name, row := range map[string]struct {
		life      string
		then, now string // the flag
		cited     string // state and version, at the end
	}{
		"not in the register":      {"S", "", "", ""},
		"registered afterwards":    {"S R pass", "", "", ""},
		"never calibrated":         {"R S", fit.FlagUncalibrated, fit.FlagUncalibrated, "uncalibrated 0"},
		"in force":                 {"R pass S", "", "", "in_force 1"},
		"replaced":                 {"R pass S pass", "", "", "in_force 1"},
		"by the replacement":       {"R pass pass S", "", "", "in_force 2"},
		"expired":                  {"R old S", fit.FlagExpired, fit.FlagExpired, "expired 1"},
		"expired and made good":    {"R old S pass", fit.FlagExpired, fit.FlagExpired, "expired 1"},
		"before it failed":         {"R pass S fail", "", fit.FlagDoubted, "doubted 1"},
		"while it was failed":      {"R pass fail S", fit.FlagCalFailed, fit.FlagCalFailed, "failed 2"},
		"failed, then good":        {"R pass S fail pass", "", fit.FlagDoubted, "doubted 1"},
		"good again":               {"R pass fail pass S", "", "", "in_force 3"},
		"the first one failed":     {"R S fail", fit.FlagUncalibrated, fit.FlagDoubted, "doubted 0"},
		"the one after was failed": {"R pass S pass fail", "", "", "in_force 1"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := startAPI(t, nil)
			first, frozen := a.liveDial(row.life)
			each := func(flag string) []string { return []string{flag, flag} }
			if got := raised(t, first); !slices.Equal(got, each(row.then)) {
				t.Errorf("flags then %q, want %q", got, row.then)
			}
			if got := raised(t, a.index(1)); !slices.Equal(got, each(row.now)) {
				t.Errorf("flags now %q, want %q", got, row.now)
			}
			issued, body := a.issuedReport(1)
			if got := raised(t, issued.Index); !slices.Equal(got, each(row.then)) || body != frozen {
				t.Errorf("the issued report has %q, want %q; changed: %v", got, row.then, body != frozen)
			}
			if f := followed(t, a.store, 1, "crownmark test"); !f.OK {
				t.Errorf("it does not follow: %.5q", f.Problems)
			}
			beside := string(a.want(200, a.call("GET", "/reports/1", "")).body)
			if told := strings.Contains(beside, "Since it was issued"); told != (row.now == fit.FlagDoubted) {
				t.Errorf("beside the issued report it is told: %v", told)
			}
			a.citesNow(row.cited, each(row.now))
		})
	}
}

// liveDial has the dial live: R registers it, pass and fail certify it, old
// certifies with a due date past, S is a job and its report. It returns job 1's
// index and report as they were then.
func (a *api) liveDial(life string) (first fit.Index, frozen string) {
	a.t.Helper()
	for _, event := range strings.Fields(life) {
		switch event {
		case "R":
			a.want(201, a.call("POST", "/api/v1/instruments", leftDial))
		case "old":
			a.certifyDial("pass", -1)
		case "S":
			wholeJob(a.t, a.store, twin)
			first = a.index(1)
			a.want(201, a.call("POST", "/api/v1/jobs/1/reports", stated))
			_, frozen = a.issuedReport(1)
		default:
			a.certifyDial(event, 365)
		}
	}
	return first, frozen
}

// citesNow holds a new report and the draft page of job 1 against what they should cite.
func (a *api) citesNow(want string, flags []string) {
	a.t.Helper()
	a.want(201, a.call("POST", "/api/v1/jobs/1/reports", stated))
	d, _ := a.issuedReport(2)
	page := string(a.want(200, a.call("GET", "/jobs/1/report", "")).body)
	var cited []string
	for _, c := range d.Calibrations {
		cited = append(cited, fmt.Sprintf("%s %d", c.State, c.Version))
		if c.Instrument != "left dial" || c.Indicator != "left" || len(c.Sweeps) == 0 || (c.At != nil) != (c.Version > 0) {
			a.t.Errorf("%+v", c)
		}
		if !strings.Contains(page, c.Words()) {
			a.t.Errorf("the draft page does not say %q", c.Words())
		}
	}
	if got := raised(a.t, d.Index); !slices.Equal(got, flags) || strings.Join(cited, ", ") != want {
		a.t.Errorf("a new report has %q and cites %q, want %q and %q", got, cited, flags, want)
	}
	if strings.Contains(page, "%!") {
		a.t.Errorf("a text has a gap: %s", regexp.MustCompile(`.{0,60}%!.{0,60}`).FindString(page))
	}
	if none := strings.Contains(page, report.NoCalibration); none != (want == "") {
		a.t.Errorf("none on record: %v", none)
	}
}

// An encoder's certificate is of a job that was swept with it; reports of what
// was swept afterwards cite it.
func TestEncoderIsCertifiedByAJob(t *testing.T) {
	a := startAPI(t, nil)
	wholeJob(t, a.store, twin)
	a.want(201, a.call("POST", "/api/v1/instruments", leftDial))
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"encoder","name":"old encoder"}}`))
	for path, want := range map[string]int{"/api/v1/instruments/1/certificates": 422, "/api/v1/instruments/2/certificates": 422, "/api/v1/instruments/99/certificates": 404} {
		a.want(want, a.call("POST", path, `{"job":1}`))
	}
	a.want(200, a.call("PATCH", "/api/v1/instruments/2", `{"record":{"bench_name":"encoder"}}`))
	a.want(404, a.call("POST", "/api/v1/instruments/2/certificates", `{"job":99}`))
	a.want(201, a.call("POST", "/api/v1/instruments/2/certificates", `{"job":1}`))
	c := a.want(200, a.call("GET", "/api/v1/certificates/1", ""))
	if c.doc["job"] != 1.0 || at(c.doc, "encoder", "mounts") != 1.0 || c.doc["result"] != nil || at(c.doc, "instrument", "record", "name") != "old encoder" {
		t.Errorf("%.400s", c.body)
	}
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"encoder","name":"new encoder","identity":"usb-other"}}`))
	if r := a.want(422, a.call("POST", "/api/v1/instruments/3/certificates", `{"job":1}`)); strings.Join(r.pointers(), "") != "/job" {
		t.Errorf("%s", r.body)
	}
	job := virtualJob(t, a.store, store.NewJob{Engine: engineNamed(t, twin), Actor: "test"}, truthOf(engineNamed(t, twin), 5))
	a.want(201, a.call("POST", fmt.Sprintf("/api/v1/jobs/%d/reports", job), stated))
	d, _ := a.issuedReport(1)
	if n := len(d.Calibrations); n != 2 || d.Calibrations[1].Instrument != "old encoder" || d.Calibrations[1].Number != "1" || d.Calibrations[1].State != fit.CalibrationInForce {
		t.Errorf("%+v", d.Calibrations)
	}
	if f := followed(t, a.store, 1, "crownmark test"); !f.OK {
		t.Errorf("%.5q", f.Problems)
	}
}

// What a report says of a calibration, in words, and in German.
func TestCitedInWords(t *testing.T) {
	texts, err := newCatalogue()
	if err != nil {
		t.Fatal(err)
	}
	issued := time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)
	due := issued.AddDate(1, 0, 0)
	for state, want := range map[string]string{
		fit.CalibrationInForce:  "left dial (left): certificate 7, version 2, of 2026-11-20 10:00 UTC, due 2027-11-20, conditional pass, in force then",
		fit.CalibrationExpired:  "left dial (left): certificate 7, version 2, of 2026-11-20 10:00 UTC, due 2027-11-20, conditional pass, past its due date then",
		fit.CalibrationFailed:   "left dial (left): certificate 7, version 2, of 2026-11-20 10:00 UTC, due 2027-11-20, conditional pass, it had failed",
		fit.CalibrationDoubted:  "left dial (left): certificate 7, version 2, of 2026-11-20 10:00 UTC, due 2027-11-20, conditional pass, good then, but its next calibration failed",
		fit.CalibrationNoneMade: "left dial (left): never calibrated before",
	} {
		c := report.Calibration{Instrument: "left dial", Indicator: "left", State: state}
		if state != fit.CalibrationNoneMade {
			c.Number, c.Version, c.At, c.DueAt, c.Overall = "7", 2, &issued, &due, "conditional_pass"
		}
		if got := c.String(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
		if german := texts.say("de", c.Words()); german == c.Words() {
			t.Errorf("no German: %q", c.Words())
		}
	}
}
