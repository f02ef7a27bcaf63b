package dashboards

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"crownmark/dashboards/report"
	"crownmark/fit"
	"crownmark/store"
)

// lookOf is how a browser wants a report: as its other pages, unless the
// address says otherwise.
func lookOf(r *http.Request) (ReportLook, error) {
	d := displayOf(r)
	look := ReportLook{d.Language, d.Length, papers[0]}
	var faults []Fault
	for _, q := range []struct {
		key   string
		into  *string
		known []string
	}{{"language", &look.Language, languages}, {"length", &look.Length, lengths}, {"paper", &look.Paper, papers}} {
		switch value := r.URL.Query().Get(q.key); {
		case value == "":
		case slices.Contains(q.known, value):
			*q.into = value
		default:
			faults = append(faults, Fault{"?" + q.key, fmt.Sprintf("%q is not a choice", value), "one of " + strings.Join(q.known, ", ")})
		}
	}
	if len(faults) > 0 {
		return look, invalid(faults...)
	}
	return look, nil
}

func (s *Server) draftPage(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	d, err := s.draft(r.Context(), id, report.Stated{})
	if err != nil {
		return err
	}
	issued, err := store.All(func(p store.Page) ([]store.Report, *int64, error) { return s.store.Reports(r.Context(), id, p) })
	if err != nil {
		return err
	}
	by, err := s.measuredBy(r.Context(), issued)
	if err != nil {
		return err
	}
	return s.showReport(w, r, d, "", func(v *reportView) {
		v.Issued, v.By = listOf(issued, nil, reportOf).Items, by
	})
}

// measuredBy are the names on a job's latest reports.
func (s *Server) measuredBy(ctx context.Context, issued []store.Report) (names []string, err error) {
	for _, one := range slices.Backward(issued[max(0, len(issued)-5):]) {
		whole, err := s.store.Report(ctx, one.Number)
		if err != nil {
			return nil, err
		}
		d, err := report.Read(whole)
		if err != nil {
			return nil, err
		}
		if name := d.Stated.MeasuredBy; name != "" && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names, nil
}

func (s *Server) issuedPage(w http.ResponseWriter, r *http.Request) error {
	return s.showIssued(w, r, false)
}

// issuedFile is the same to be kept or mailed.
func (s *Server) issuedFile(w http.ResponseWriter, r *http.Request) error {
	return s.showIssued(w, r, true)
}

func (s *Server) showIssued(w http.ResponseWriter, r *http.Request, file bool) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	issued, err := s.store.Report(r.Context(), id)
	if err != nil {
		return err
	}
	d, err := report.Read(issued)
	if err != nil {
		return err
	}
	name := ""
	if file {
		name = fmt.Sprintf("crank-index-report-%d.html", issued.Number)
	}
	since, err := s.sinceIssued(r.Context(), d)
	if err != nil {
		return err
	}
	return s.showReport(w, r, d, name, func(v *reportView) { v.Hash, v.File, v.Since = issued.Hash, file, since })
}

// sinceIssued finds what the register learnt of the report's instruments after
// it was issued, and the report itself does not say.
func (s *Server) sinceIssued(ctx context.Context, d report.Document) (list []sinceIssued, err error) {
	instruments, err := s.store.Registered(ctx)
	if err != nil {
		return nil, err
	}
	for _, i := range instruments {
		said := slices.ContainsFunc(d.Calibrations, func(c report.Calibration) bool {
			return c.Registered == i.ID && (c.State == fit.CalibrationDoubted || c.State == fit.CalibrationFailed)
		})
		if said || i.Record.IsReference() {
			continue
		}
		t, err := s.store.Touched(ctx, i.ID)
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(t.Jobs, func(j store.TouchedJob) bool { return slices.Contains(j.Reports, d.Number) }) {
			list = append(list, sinceIssued{i.ID, t.Failed.Number, i.Record.Name})
		}
	}
	return list, nil
}

func (s *Server) showReport(w http.ResponseWriter, r *http.Request, d report.Document, file string, more func(*reportView)) error {
	look, err := lookOf(r)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	policy, err := s.pages.report(&b, d, look, more)
	if err != nil {
		return err
	}
	writePaper(w, policy, file, b.Bytes())
	return nil
}
