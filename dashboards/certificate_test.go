package dashboards

import (
	"strings"
	"testing"

	"crownmark/dashboards/certificate"
	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/store"
)

func followedCertificate(t *testing.T, k certificate.Keeper, number int64, software string) certificate.Finding {
	t.Helper()
	f, err := certificate.Follow(t.Context(), k, number, certificate.Makers{Software: software, Evaluate: calibrate.Evaluate, Solve: fit.Solve})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// An issued certificate follows from the raw readings whatever is done to register
// and calibration afterwards, and no longer once a reading or the document was
// changed behind the program's back.
func TestCertificateFollows(t *testing.T) {
	a := startAPI(t, nil)
	a.want(201, a.call("POST", "/api/v1/instruments", leftDial))
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"head","name":"head","certificate_number":"K-1","u95_mm":0.001}}`))
	recordPoints(t, a.store, beginCalibration(t, a.store, 1, 2, store.KindCalibration).ID, twoUM)
	a.want(201, a.call("POST", "/api/v1/instruments/1/certificates", `{"calibration":1}`))
	wholeJob(t, a.store, twin)
	a.want(201, a.call("POST", "/api/v1/instruments", `{"record":{"kind":"encoder","name":"encoder","bench_name":"encoder"}}`))
	a.want(201, a.call("POST", "/api/v1/instruments/3/certificates", `{"job":1}`))

	a.want(200, a.call("PATCH", "/api/v1/instruments/1", `{"record":{"serial_number":"0815","limits_mm":{"total":0.001},"interval_days":30}}`))
	a.want(200, a.call("PATCH", "/api/v1/instruments/2", `{"record":{"u95_mm":0.004}}`))
	a.want(200, a.call("DELETE", "/api/v1/sweeps/1?reason=slipped", ""))
	if _, err := a.store.TakeBackPoint(t.Context(), 1, 4, "test"); err != nil {
		t.Fatal(err)
	}
	for number, figures := range map[int64]int{1: 50, 2: 10} {
		if f := followedCertificate(t, a.store, number, "crownmark test"); !f.OK || f.Figures < figures {
			t.Errorf("certificate %d: %d figures, %.5q", number, f.Figures, f.Problems)
		}
		if f := followedCertificate(t, a.store, number, "crownmark later"); !f.OK || !strings.Contains(f.Rule, "issued by crownmark test on ") {
			t.Errorf("certificate %d: %q %.5q", number, f.Rule, f.Problems)
		}
	}
	a.want(201, a.call("POST", "/api/v1/instruments/1/certificates", `{"calibration":1}`))
	if r := a.want(200, a.call("GET", "/api/v1/certificates/3", "")); at(r.doc, "limits", "total") != 0.001 || at(r.doc, "instrument", "record", "serial_number") != "0815" {
		t.Errorf("a new certificate: %.600s", r.body)
	}

	const taken = `stream = (SELECT stream FROM calibration_point WHERE id = 5) AND seq = 5`
	f := followedCertificate(t, tampered(t, a.store, `DROP TRIGGER reading_no_update; UPDATE reading SET ticks = ticks + 20 WHERE `+taken), 1, "crownmark test")
	if f.OK || !strings.Contains(strings.Join(f.Problems, "\n"), "error_mm") {
		t.Errorf("a changed reading: %v, %.5q", f.OK, f.Problems)
	}
	forged := tampered(t, a.store, `DROP TRIGGER certificate_no_update; UPDATE certificate SET document = CAST(replace(CAST(document AS TEXT), '"K-1"', '"K-2"') AS BLOB) WHERE id = 1`)
	if f := followedCertificate(t, forged, 1, "crownmark test"); f.OK || len(f.Problems) != 2 || !strings.Contains(f.Problems[0], "the document itself: its hash is ") {
		t.Errorf("a changed document: %q", f.Problems)
	}
	if c, err := forged.Certificate(t.Context(), 1); err != nil {
		t.Fatal(err)
	} else if _, err := certificate.Read(c); err == nil || !strings.Contains(err.Error(), "not what was issued") {
		t.Errorf("a changed document is read: %v", err)
	}
}
