package dashboards

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"crownmark/store"
)

// list is how every list is answered.
type list[T any] struct {
	Items []T    `json:"items"`
	Next  *int64 `json:"next"`
}

func listOf[S, T any](from []S, next *int64, f func(S) T) list[T] {
	l := list[T]{Items: make([]T, 0, len(from)), Next: next}
	for _, v := range from {
		l.Items = append(l.Items, f(v))
	}
	return l
}

// listUnder answers with a page of what that whose id stands in the path has;
// read says where there is no such thing.
func listUnder[S, T any](w http.ResponseWriter, r *http.Request, read func(context.Context, int64, store.Page) ([]S, *int64, error), f func(S) T) error {
	page, err := pageOf(r.URL.Query())
	if err != nil {
		return err
	}
	id, err := pathID(r)
	if err != nil {
		return err
	}
	items, next, err := read(r.Context(), id, page)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, listOf(items, next, f))
}

// listOfJob answers with a page of what the job in the path has.
func listOfJob[S, T any](s *Server, w http.ResponseWriter, r *http.Request, read func(context.Context, int64, store.Page) ([]S, *int64, error), f func(S) T) error {
	return listUnder(w, r, func(ctx context.Context, id int64, page store.Page) ([]S, *int64, error) {
		if _, err := s.store.Job(ctx, id); err != nil {
			return nil, nil, err
		}
		return read(ctx, id, page)
	}, f)
}

// pageOf reads ?limit= and ?after=, and refuses every other key.
func pageOf(q url.Values) (store.Page, error) {
	p := store.Page{Limit: 100}
	var faults []Fault
	for key, values := range q {
		n, err := strconv.ParseInt(values[0], 10, 64)
		switch {
		case key != "limit" && key != "after":
			faults = append(faults, Fault{"?" + key, "unknown key", "known keys: limit, after"})
		case len(values) > 1:
			faults = append(faults, Fault{"?" + key, "given twice", "give it once"})
		case key == "limit" && (err != nil || n < 1 || n > 500):
			faults = append(faults, Fault{"?limit", fmt.Sprintf("%q is not 1 to 500", values[0]), "ask for 1 to 500 items"})
		case key == "after" && (err != nil || n < 0):
			faults = append(faults, Fault{"?after", fmt.Sprintf("%q is not an id", values[0]), "give the next of the page before"})
		case key == "limit":
			p.Limit = int(n)
		default:
			p.After = n
		}
	}
	if len(faults) > 0 {
		return p, invalid(faults...)
	}
	return p, nil
}
