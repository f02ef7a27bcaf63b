package dashboards

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"
)

//go:embed openapi.json
var openAPI []byte

// handler answers a request or says why not; the error becomes a problem
// document (a page, under the pages' paths).
type handler func(w http.ResponseWriter, r *http.Request) error

type route struct {
	method, path string
	handle       handler
}

// routes is everything that is served; openapi.json describes each of them.
func (s *Server) routes() []route {
	return []route{
		{"GET", "/healthz", s.healthz},
		{"GET", "/readyz", s.readyz},
		{"GET", "/metrics", s.scrape},
		{"GET", "/openapi.json", s.describe},
		{"GET", "/api/v1/bench", s.getBench},
		{"GET", "/api/v1/live", s.live},
		{"PUT", "/api/v1/bench/selection", s.putSelection},
		{"POST", "/api/v1/bench/marks", s.postMark},
		{"POST", "/api/v1/bench/zero", s.postZero},
		{"POST", "/api/v1/bench/mount", s.postMount},
		{"POST", "/api/v1/bench/direction", s.postDirection},
		{"GET", "/api/v1/jobs", s.getJobs},
		{"POST", "/api/v1/jobs", s.postJob},
		{"GET", "/api/v1/jobs/{id}", s.getJob},
		{"PATCH", "/api/v1/jobs/{id}", s.patchJob},
		{"POST", "/api/v1/jobs/{id}/cautions", s.postCautions},
		{"GET", "/api/v1/jobs/{id}/sweeps", s.getSweeps},
		{"GET", "/api/v1/jobs/{id}/index", s.getIndex},
		{"GET", "/api/v1/jobs/{id}/trims.csv", s.getTrims},
		{"GET", "/api/v1/jobs/{id}/crank.csv", s.getCrankCSV},
		{"GET", "/api/v1/jobs/{id}/marks", s.getMarks},
		{"GET", "/api/v1/marks/{id}", s.getMark},
		{"PATCH", "/api/v1/marks/{id}", s.patchMark},
		{"DELETE", "/api/v1/marks/{id}", s.deleteMark},
		{"GET", "/api/v1/jobs/{id}/export.csv", s.getExport},
		{"GET", "/api/v1/jobs/{id}/reports", s.getReports},
		{"POST", "/api/v1/jobs/{id}/reports", s.postReport},
		{"GET", "/api/v1/reports/{id}", s.getReport},
		{"POST", "/api/v1/jobs/{id}/hand-sweeps", s.postHand},
		{"GET", "/api/v1/hand-sweeps/{id}", s.getHand},
		{"POST", "/api/v1/hand-sweeps/{id}/readings", s.postHandReading},
		{"POST", "/api/v1/hand-sweeps/{id}/take-back", s.postHandTakeBack},
		{"POST", "/api/v1/hand-sweeps/{id}/end", s.postHandEnd},
		{"GET", "/api/v1/sweeps/{id}", s.getSweep},
		{"PATCH", "/api/v1/sweeps/{id}", s.patchSweep},
		{"DELETE", "/api/v1/sweeps/{id}", s.deleteSweep},
		{"GET", "/api/v1/sweeps/{id}/samples.csv", s.getSamples},
		{"GET", "/api/v1/engines", s.getEngines},
		{"POST", "/api/v1/engines", s.postEngine},
		{"POST", "/api/v1/engines/star", s.postStar},
		{"GET", "/api/v1/engines/{id}", s.getEngine},
		{"PATCH", "/api/v1/engines/{id}", s.patchEngine},
		{"GET", "/api/v1/engines/{id}/engine.toml", s.getEngineFile},
		{"GET", "/api/v1/instruments", s.getInstruments},
		{"POST", "/api/v1/instruments", s.postInstrument},
		{"GET", "/api/v1/instruments/{id}", s.getInstrument},
		{"PATCH", "/api/v1/instruments/{id}", s.patchInstrument},
		{"GET", "/api/v1/instruments/{id}/calibrations", s.getCalibrations},
		{"GET", "/api/v1/instruments/{id}/certificates", s.getCertificates},
		{"POST", "/api/v1/instruments/{id}/certificates", s.postCertificate},
		{"GET", "/api/v1/instruments/{id}/checks", s.getChecks},
		{"GET", "/api/v1/instruments/{id}/touched", s.getTouched},
		{"POST", "/api/v1/calibrations", s.postCalibration},
		{"GET", "/api/v1/calibrations/{id}", s.getCalibration},
		{"POST", "/api/v1/calibrations/{id}/readings", s.postCalibrationReading},
		{"POST", "/api/v1/calibrations/{id}/take-back", s.postCalibrationTakeBack},
		{"POST", "/api/v1/calibrations/{id}/end", s.postCalibrationEnd},
		{"POST", "/api/v1/calibrations/{id}/resume", s.postCalibrationResume},
		{"GET", "/api/v1/calibrations/{id}/points.csv", s.getPointsCSV},
		{"GET", "/api/v1/calibrations/{id}/result", s.getResult},
		{"GET", "/api/v1/certificates/{id}", s.getCertificate},
		{"GET", "/api/v1/compare", s.getCompare},
		{"GET", "/api/v1/compare.csv", s.getCompareCSV},
		{"GET", "/api/v1/compare.svg", s.getCompareSVG},
		{"GET", "/api/v1/study", s.getStudy},
		{"GET", "/api/v1/study.csv", s.getStudyCSV},
		{"GET", "/{$}", s.benchPage},
		{"GET", "/turn", s.turnPage},
		{"GET", "/marks", s.marksPage},
		{"GET", "/by-hand", s.handPage},
		{"GET", "/jobs", s.jobsPage},
		{"GET", "/jobs/new", s.newJobPage},
		{"GET", "/jobs/{id}", s.jobPage},
		{"GET", "/jobs/{id}/crank", s.crankPage},
		{"GET", "/jobs/{id}/report", s.draftPage},
		{"GET", "/reports/{id}", s.issuedPage},
		{"GET", "/reports/{id}/file.html", s.issuedFile},
		{"GET", "/engines", s.enginesPage},
		{"GET", "/engines/new", s.newEnginePage},
		{"GET", "/engines/{id}", s.enginePage},
		{"GET", "/instruments", s.instrumentsPage},
		{"GET", "/register", s.registerPage},
		{"GET", "/register/new", s.newInstrumentPage},
		{"GET", "/register/{id}", s.instrumentPage},
		{"GET", "/calibrations/new", s.newCalibrationPage},
		{"GET", "/calibrations/{id}", s.calibrationPage},
		{"GET", "/certificates/{id}", s.certificatePage},
		{"GET", "/certificates/{id}/file.html", s.certificateFile},
		{"GET", "/compare", s.comparePage},
		{"GET", "/study", s.studyPage},
		{"GET", "/flags", s.flagsPage},
		{"POST", "/display", s.postDisplay},
		{"GET", "/static/{file}", s.static},
	}
}

// mux routes, answers a known path's wrong method with 405, and anything else
// with 404, both as problems.
func (s *Server) mux() http.Handler {
	m := http.NewServeMux()
	allowed := map[string][]string{}
	for _, r := range s.routes() {
		m.Handle(r.method+" "+r.path, s.answer(r.handle))
		allowed[r.path] = append(allowed[r.path], r.method)
		if r.method == "GET" {
			allowed[r.path] = append(allowed[r.path], "HEAD")
		}
	}
	for path, methods := range allowed {
		list := strings.Join(methods, ", ")
		refuse := s.answer(func(w http.ResponseWriter, r *http.Request) error {
			w.Header().Set("Allow", list)
			return newProblem(http.StatusMethodNotAllowed, "method", "This cannot be done here",
				fmt.Sprintf("%s does not take %s", r.URL.Path, r.Method), "allowed: "+list)
		})
		for _, method := range []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"} {
			if !slices.Contains(methods, method) { // each by itself: /jobs/new stands beside /jobs/{id}
				m.Handle(method+" "+path, refuse)
			}
		}
	}
	m.Handle("/", s.answer(func(w http.ResponseWriter, r *http.Request) error {
		return newProblem(http.StatusNotFound, "not-found", "There is no such thing here",
			fmt.Sprintf("nothing is served at %s", r.URL.Path), "see /openapi.json for what there is")
	}))
	return m
}

const answerWithin = time.Minute // reading a body, and writing an answer that is not a live stream

func (s *Server) answer(h handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// Both fail on recorders only, which need no deadline.
		_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(answerWithin))
		if r.ContentLength != 0 {
			_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(answerWithin))
		}
		err := h(w, r)
		if err == nil {
			return
		}
		p := problemOf(err)
		if p.Status >= http.StatusInternalServerError {
			s.log.Error("a request failed", "method", r.Method, "path", r.URL.Path, "err", err)
		}
		if isPage(r.URL.Path) {
			s.problemPage(w, r, p)
			return
		}
		lang := displayOf(r).Language
		w.Header().Set("Content-Language", lang)
		writeProblem(w, p.told(s.pages.texts, lang))
	})
}

// isPage tells what people look at from what programs ask.
func isPage(path string) bool {
	for _, p := range []string{"/api/", "/static/", "/healthz", "/readyz", "/metrics", "/openapi.json"} {
		if strings.HasPrefix(path, p) {
			return false
		}
	}
	return true
}

// writeJSON encodes first, so that a value that cannot be told is a problem
// and not half a document.
func writeJSON(w http.ResponseWriter, status int, v any) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("encode the answer: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	if w.Header().Get("Cache-Control") == "" {
		w.Header().Set("Cache-Control", "no-store")
	}
	w.WriteHeader(status)
	w.Write(b.Bytes()) //nolint:errcheck // the client left
	return nil
}

// finite drops what JSON cannot say.
func finite(v *float64) *float64 {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	return v
}

// positive tells a number that is 0 when unknown as null.
func positive[T int | int64](n T) *T {
	if n <= 0 {
		return nil
	}
	return &n
}

func (s *Server) describe(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Content-Type", "application/json")
	_, err := w.Write(openAPI)
	return err
}
