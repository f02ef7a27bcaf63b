package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"crownmark/acquire"
)

// apiProblem is what a daemon says no with.
type apiProblem struct {
	Type, Title, Detail, Fix string
	Errors                   []struct{ Pointer, Detail, Fix string }

	what, status string
}

func (p *apiProblem) Error() string {
	if len(p.Errors) > 0 {
		return p.Errors[0].Detail + ": " + p.Errors[0].Fix
	}
	return fmt.Sprintf("%s: %s: %s: %s; %s", p.what, p.status, p.Title, p.Detail, p.Fix)
}

// Is tells what a bench of one's own would have answered.
func (p *apiProblem) Is(target error) bool {
	return map[string]error{"unsteady": acquire.ErrUnsteady, "not-live": acquire.ErrNotLive, "nothing-read": acquire.ErrNothingRead}[strings.TrimPrefix(p.Type, "urn:crownmark:problem:")] == target
}

// As makes a fault of what was read a Misread.
func (p *apiProblem) As(target any) bool {
	m, ok := target.(**acquire.Misread)
	if ok = ok && len(p.Errors) > 0 && strings.HasSuffix(p.Type, ":invalid"); ok {
		*m = &acquire.Misread{Of: strings.TrimPrefix(p.Errors[0].Pointer, "/"), Detail: p.Errors[0].Detail, Fix: p.Errors[0].Fix}
	}
	return ok
}

// callAPI sends one request and reads its answer into into (nil: nobody asks).
// key is its Idempotency-Key, "" for none.
func callAPI(ctx context.Context, method, url, key string, body, into any) error {
	var send bytes.Buffer
	if body != nil {
		if err := json.NewEncoder(&send).Encode(body); err != nil {
			return err
		}
	}
	r, err := http.NewRequestWithContext(ctx, method, url, &send)
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/json")
	if key != "" {
		r.Header.Set("Idempotency-Key", key)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if answer.StatusCode >= 300 {
		p := &apiProblem{what: method + " " + r.URL.Path, status: answer.Status}
		_ = json.NewDecoder(answer.Body).Decode(p) // the status says enough
		return p
	}
	if into == nil {
		return nil
	}
	if err := json.NewDecoder(answer.Body).Decode(into); err != nil {
		return errors.Join(fmt.Errorf("%s %s: the answer cannot be read; is that crownmark?", method, r.URL.Path), err)
	}
	return nil
}
