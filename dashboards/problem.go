package dashboards

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"crownmark/acquire"
	"crownmark/store"
)

// Problem is an RFC 9457 problem document. It is also an error, so that a
// handler can return it.
type Problem struct {
	Type   string  `json:"type"`
	Title  string  `json:"title"`
	Status int     `json:"status"`
	Detail string  `json:"detail,omitempty"`
	Fix    string  `json:"fix,omitempty"`
	Errors []Fault `json:"errors,omitempty"`
}

// Fault is one thing wrong with a request: where (a JSON pointer into the
// body, or "?limit" for the query), what, and what to do.
type Fault struct {
	Pointer string `json:"pointer"`
	Detail  string `json:"detail"`
	Fix     string `json:"fix"`
}

func (p *Problem) Error() string { return p.Title + ": " + p.Detail }

func newProblem(status int, code, title, detail, fix string, faults ...Fault) *Problem {
	return &Problem{Type: "urn:crownmark:problem:" + code, Title: title, Status: status, Detail: detail, Fix: fix, Errors: faults}
}

// invalid is a request that can be read but not be done as it stands.
func invalid(faults ...Fault) *Problem {
	return newProblem(http.StatusUnprocessableEntity, "invalid", "The request cannot be carried out as it stands",
		countFaults(len(faults)), "correct what the list names and send it again", abridged(faults)...)
}

const (
	toldFaults = 20  // of one request
	toldRunes  = 400 // of one text: a request's own words may fill a page
)

// abridged is what is said of faults: the first ones, long words without their middle.
func abridged(faults []Fault) (out []Fault) {
	for _, f := range faults[:min(len(faults), toldFaults)] {
		out = append(out, Fault{shortened(f.Pointer), shortened(f.Detail), shortened(f.Fix)})
	}
	return out
}

func shortened(text string) string {
	if len(text) <= toldRunes {
		return text
	}
	if r := []rune(text); len(r) > toldRunes {
		return string(r[:toldRunes/2]) + " … " + string(r[len(r)-toldRunes/2:])
	}
	return text
}

func countFaults(n int) string {
	if n == 1 {
		return "one thing is wrong with it"
	}
	return fmt.Sprintf("%d things are wrong with it", n)
}

// problemOf turns any error into a problem: one that already is one, one that
// the table knows, or an internal fault whose text stays in the log.
func problemOf(err error) *Problem {
	if errors.Is(err, store.ErrNoOrder) {
		return invalid(noOrder())
	}
	if errors.Is(err, acquire.ErrUnknownIndicator) {
		fix := "see /api/v1/bench for their names"
		return newProblem(http.StatusUnprocessableEntity, "unknown-indicator", "There is no such indicator", err.Error(), fix, Fault{"/indicator", err.Error(), fix})
	}
	if p, ok := errors.AsType[*Problem](err); ok {
		return p
	}
	for _, row := range errorTable() {
		if errors.Is(err, row.is) {
			return newProblem(row.status, row.code, row.title, err.Error(), row.fix)
		}
	}
	return newProblem(http.StatusInternalServerError, "internal", "Something failed inside the program",
		"the log says what; nothing that was stored is lost", "try again; if it stays, send the log")
}

// told is the problem in a language; pointers, type and status stay.
func (p *Problem) told(c *catalogue, lang string) *Problem {
	say := func(text string) string {
		if text == "" {
			return ""
		}
		return c.say(lang, text)
	}
	out := *p
	out.Title, out.Detail, out.Fix = say(p.Title), say(p.Detail), say(p.Fix)
	out.Errors = nil
	for _, f := range p.Errors {
		out.Errors = append(out.Errors, Fault{f.Pointer, say(f.Detail), say(f.Fix)})
	}
	return &out
}

func writeProblem(w http.ResponseWriter, p *Problem) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	if p.Status == http.StatusServiceUnavailable {
		w.Header().Set("Retry-After", "5")
	}
	w.WriteHeader(p.Status)
	json.NewEncoder(w).Encode(p) //nolint:errcheck // the client left
}
