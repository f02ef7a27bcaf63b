package dashboards

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"crownmark/dashboards/report"
	"crownmark/fit"
	"crownmark/store"
)

// reportDoc is an issued report in a list; the report itself is frozen and is
// had at its own path.
type reportDoc struct {
	Number   int64     `json:"number"`
	Job      int64     `json:"job"`
	IssuedAt time.Time `json:"issued_at"`
	Hash     string    `json:"hash"` // SHA-256 of the frozen document
	Actor    string    `json:"actor"`
}

func reportOf(r store.Report) reportDoc {
	return reportDoc{r.Number, r.Job, r.IssuedAt.UTC(), r.Hash, r.Actor}
}

func (s *Server) getReports(w http.ResponseWriter, r *http.Request) error {
	return listOfJob(s, w, r, s.store.Reports, reportOf)
}

// getReport is the document as it was frozen, to the byte.
func (s *Server) getReport(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	issued, err := s.store.Report(r.Context(), id)
	if err != nil {
		return err
	}
	return writeFrozen(w, r, issued.Hash, issued.Document)
}

func (s *Server) postReport(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	var stated report.Stated
	return s.post(w, r, &stated, func() (string, any, error) {
		if faults := checkStated(stated); len(faults) > 0 {
			return "", nil, invalid(faults...)
		}
		issued, err := s.issue(r.Context(), id, stated, actor(r))
		return fmt.Sprintf("/api/v1/reports/%d", issued.Number), reportOf(issued), err
	})
}

// checkStated refuses what nobody can have meant.
func checkStated(st report.Stated) (faults []Fault) {
	said := func(pointer, value string, known []string) {
		if !slices.Contains(known, value) {
			faults = append(faults, Fault{pointer, fmt.Sprintf("%q is not known here", value), `say one of "` + strings.Join(known, `", "`) + `" (empty: not said)`})
		}
	}
	if t := st.TemperatureC; t != nil && !(*t >= -40 && *t <= 60) {
		faults = append(faults, Fault{"/temperature_c", fmt.Sprintf("%g is not −40 to 60", *t), "give the engine's temperature in degrees Celsius, or null"})
	}
	said("/rings", st.Rings, report.RingsSaid)
	said("/encoder_end", st.EncoderEnd, report.EndsSaid)
	if utf8.RuneCountInString(st.MeasuredBy) > 100 || strings.TrimSpace(st.MeasuredBy) != st.MeasuredBy {
		faults = append(faults, Fault{"/measured_by", "longer than 100 characters, or with blanks at its ends", "send a short name, or leave it empty and sign on paper"})
	}
	return faults
}

// issue freezes a report of the job as it stands now.
func (s *Server) issue(ctx context.Context, job int64, stated report.Stated, by string) (store.Report, error) {
	draft, err := s.draft(ctx, job, stated)
	if err != nil {
		return store.Report{}, err
	}
	return Issue(ctx, s.store, draft, by)
}

// draft is the document of a job as it stands now.
func (s *Server) draft(ctx context.Context, job int64, stated report.Stated) (report.Document, error) {
	st, err := s.store.Standing(ctx, job, 0)
	if err != nil {
		return report.Document{}, err
	}
	return report.Draft(st, stated, s.software, func(fit.Input) (fit.Index, error) { return s.solver.indexOf(ctx, st) })
}

// Issuer is what Issue needs of a store.
type Issuer interface {
	IssueReport(ctx context.Context, job int64, actor string, write func(number int64, at time.Time) ([]byte, error)) (store.Report, error)
}

// Issue gives a draft its number and freezes it. A job without a result is
// refused.
func Issue(ctx context.Context, k Issuer, d report.Document, by string) (store.Report, error) {
	if d.Index.Status != "ok" {
		return store.Report{}, newProblem(http.StatusConflict, "nothing-to-report", "There is no result to report yet", d.Index.Status, "sweep first; the draft shows what is missing")
	}
	return k.IssueReport(ctx, d.Job.ID, by, func(number int64, at time.Time) ([]byte, error) {
		d.Number, d.IssuedAt = number, &at
		return json.Marshal(d)
	})
}
