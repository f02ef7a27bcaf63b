package dashboards

import (
	"encoding/csv"
	"fmt"
	"net/http"
	"strconv"
	"strings"
)

// getIndex is the index document. Its ETag is the job's revision: a client
// that has it is told so without another fit.
func (s *Server) getIndex(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	revision, err := s.store.Revision(r.Context(), id)
	if err != nil {
		return err
	}
	w.Header().Set("Cache-Control", "no-cache")
	if matches(r.Header.Get("If-None-Match"), etag(revision)) {
		w.Header().Set("ETag", etag(revision))
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	index, err := s.solver.index(r.Context(), id)
	if err != nil {
		return err
	}
	w.Header().Set("ETag", etag(*index.Revision))
	return writeJSON(w, http.StatusOK, index)
}

// etag writes a revision as a strong entity tag, quoted once.
func etag(revision string) string { return `"` + strings.Trim(revision, `"`) + `"` }

func matches(header, tag string) bool {
	for one := range strings.SplitSeq(header, ",") {
		one = strings.TrimPrefix(strings.TrimSpace(one), "W/")
		if one == tag || one == "*" {
			return true
		}
	}
	return false
}

// getTrims is one row a cylinder. A trim that is not issued is an empty cell:
// no controller may read it as zero.
func (s *Server) getTrims(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	index, err := s.solver.index(r.Context(), id)
	if err != nil {
		return err
	}
	w.Header().Set("ETag", etag(*index.Revision))
	out := csvTo(w, fmt.Sprintf("trims-%d.csv", id))
	c := csv.NewWriter(out)
	c.Write([]string{"cylinder", "trim_deg", "u95_deg"}) //nolint:errcheck // Flush tells
	for _, cylinder := range index.Cylinders {
		row := []string{strconv.Itoa(cylinder.Number), "", ""}
		if cylinder.TrimDeg != nil {
			row[1], row[2] = cell(cylinder.TrimDeg), cell(cylinder.IndexU95Deg)
		}
		c.Write(row) //nolint:errcheck // Flush tells
	}
	c.Flush()
	return out.end(c.Error())
}

func cell(v *float64) string {
	if v = finite(v); v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}
