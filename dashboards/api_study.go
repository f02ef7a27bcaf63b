package dashboards

import (
	"net/http"

	"crownmark/fit/studycsv"
)

// studied is the study that a request asks for.
func (s *Server) studied(r *http.Request) (studyDoc, error) {
	a, err := studyAskedOf(r.URL.Query())
	if err != nil {
		return studyDoc{}, err
	}
	if len(a.Jobs) == 0 {
		return studyDoc{}, invalid(Fault{"?jobs", "nothing is chosen", "such as ?jobs=3,4,5"})
	}
	return s.study(r.Context(), a)
}

func (s *Server) getStudy(w http.ResponseWriter, r *http.Request) error {
	d, err := s.studied(r)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, d)
}

// getStudyCSV is the values that the study is made of, as `crownmark study`
// reads them.
func (s *Server) getStudyCSV(w http.ResponseWriter, r *http.Request) error {
	d, err := s.studied(r)
	if err != nil {
		return err
	}
	out := csvTo(w, "study.csv")
	return out.end(studycsv.Write(out, d.rows()))
}

// File is the address of the values as CSV.
func (a studyAsked) File() string { return "/api/v1/study.csv?" + a.query() }
