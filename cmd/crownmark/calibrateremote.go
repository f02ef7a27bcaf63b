package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"crownmark/acquire"
)

// remoteStand is a calibration on a running daemon.
type remoteStand struct {
	calibrateCmd
	base string
	id   int64
}

func (s *remoteStand) begin(ctx context.Context, conditions map[string]any) (string, error) {
	var err error
	if s.id = s.Resume; s.id != 0 {
		err = s.post(ctx, "/resume", struct{}{})
	} else {
		err = s.create(ctx, conditions)
	}
	return fmt.Sprintf("Calibration %d.", s.id), err
}

func (s *remoteStand) create(ctx context.Context, conditions map[string]any) error {
	instrument, err := s.find(ctx, s.Instrument, "indicator")
	if err != nil {
		return err
	}
	body := map[string]any{"instrument": instrument, "kind": "calibration", "runs": s.Runs, "repeats": s.Repeats, "by_key": s.ByKey,
		"local_span_mm": s.LocalSpan, "scheme": s.Scheme, "points_mm": s.Points, "range_mm": s.RangeMM, "steady_s": s.SteadyS, "conditions": conditions}
	if s.Typed {
		body["indicator"] = acquire.PlainDial
	}
	if s.Reference != "" {
		if body["reference"], err = s.find(ctx, s.Reference, "head", "blocks"); err != nil {
			return err
		}
	}
	var made struct{ ID int64 }
	err = callAPI(ctx, "POST", s.base+"/api/v1/calibrations", rand.Text(), body, &made)
	s.id = made.ID
	return err
}

// post sends a request about the calibration that is carried out once, however
// often it must be sent.
func (s *remoteStand) post(ctx context.Context, what string, body any) error {
	const tries, pause = 3, 300 * time.Millisecond
	key := rand.Text()
	for try := 1; ; try++ {
		err := callAPI(ctx, "POST", fmt.Sprintf("%s/api/v1/calibrations/%d%s", s.base, s.id, what), key, body, nil)
		var said *apiProblem
		if err == nil || errors.As(err, &said) || try == tries || ctx.Err() != nil {
			return err
		}
		time.Sleep(pause)
	}
}

func (s *remoteStand) now(ctx context.Context) (standAnswer, error) {
	var bench struct{ Calibration *standAnswer }
	if err := callAPI(ctx, "GET", s.base+"/api/v1/bench", "", nil, &bench); err != nil {
		return standAnswer{}, err
	}
	if bench.Calibration == nil || bench.Calibration.Calibration != s.id {
		return standAnswer{}, fmt.Errorf("calibration %d does not run any more", s.id)
	}
	return *bench.Calibration, nil
}

func (s *remoteStand) take(ctx context.Context, reading string) error {
	return s.post(ctx, "/readings", map[string]any{"reading": reading})
}

func (s *remoteStand) takeBack(ctx context.Context) error {
	return s.post(ctx, "/take-back", struct{}{})
}
func (s *remoteStand) end(ctx context.Context) error { return s.post(ctx, "/end", struct{}{}) }

func (s *remoteStand) left() string {
	return fmt.Sprintf("go on with --resume %d, or end calibration %d on its page", s.id, s.id)
}

// save ends with the file that crownmark calibrate reads.
func (s *remoteStand) save(ctx context.Context) (string, error) {
	r, err := http.NewRequestWithContext(ctx, "GET", fmt.Sprintf("%s/api/v1/calibrations/%d/points.csv", s.base, s.id), nil)
	if err != nil {
		return "", err
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return "", err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return "", fmt.Errorf("calibration %d: its points: %s", s.id, answer.Status)
	}
	err = toFile(s.Out, nil, func(w io.Writer) error { _, err := io.Copy(w, answer.Body); return err })
	return fmt.Sprintf("%s: the points of calibration %d. Next: crownmark calibrate %s; the certificate is issued at %s/calibrations/%d", s.Out, s.id, s.Out, s.base, s.id), err
}

// find is the number of what the register calls so; name "": its only one.
func (s *remoteStand) find(ctx context.Context, name string, kinds ...string) (int64, error) {
	var all, fits []registered
	for after := int64(0); ; {
		var page struct {
			Items []registered
			Next  *int64
		}
		if err := callAPI(ctx, "GET", fmt.Sprintf("%s/api/v1/instruments?limit=500&after=%d", s.base, after), "", nil, &page); err != nil {
			return 0, err
		}
		all = append(all, page.Items...)
		if page.Next == nil {
			break
		}
		after = *page.Next
	}
	kind := strings.Join(kinds, " or ")
	for _, i := range all {
		if i.State == "kept" && strings.Contains(kind, i.Record.Kind) && (name == "" || i.Record.Name == name || strconv.FormatInt(i.ID, 10) == name) {
			fits = append(fits, i)
		}
	}
	if len(fits) == 1 {
		return fits[0].ID, nil
	}
	where := fmt.Sprintf("see %s/register", s.base)
	switch {
	case len(fits) > 1:
		return 0, fmt.Errorf("the register has %d of kind %s: name one with --instrument; %s", len(fits), kind, where)
	case name == "":
		return 0, fmt.Errorf("the register has no %s yet: write it down first; %s", kind, where)
	}
	return 0, fmt.Errorf("the register has no %s %q; %s", kind, name, where)
}

// registered is as much of an instrument's document as is looked at.
type registered struct {
	ID     int64
	State  string
	Record struct{ Kind, Name string }
}
