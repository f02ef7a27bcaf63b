package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"crownmark/dashboards/certificate"
	"crownmark/store"
)

// certificateDoc is an issued certificate in a list; the certificate itself is
// frozen and is had at its own path.
type certificateDoc struct {
	Number      int64      `json:"number"`
	Version     int64      `json:"version"`
	Instrument  int64      `json:"instrument"`
	Calibration *int64     `json:"calibration"`
	Job         *int64     `json:"job"`
	Overall     string     `json:"overall"`
	Simulated   bool       `json:"simulated"`
	IssuedAt    time.Time  `json:"issued_at"`
	DueAt       *time.Time `json:"due_at"`
	Hash        string     `json:"hash"` // SHA-256 of the frozen document
	Actor       string     `json:"actor"`
}

func certificateOf(c store.Certificate) certificateDoc {
	return certificateDoc{c.Number, c.Version, c.Instrument, positive(c.Calibration), positive(c.Job), c.Overall, c.Simulated, c.IssuedAt, c.DueAt, c.Hash, c.Actor}
}

func certificateOrNull(c *store.Certificate) *certificateDoc {
	if c == nil {
		return nil
	}
	d := certificateOf(*c)
	return &d
}

func (s *Server) getCertificates(w http.ResponseWriter, r *http.Request) error {
	return listUnder(w, r, s.store.Certificates, certificateOf)
}

// getCertificate is the document as it was frozen, to the byte.
func (s *Server) getCertificate(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	c, err := s.store.Certificate(r.Context(), id)
	if err != nil {
		return err
	}
	return writeFrozen(w, r, c.Hash, c.Document)
}

// postCertificate issues one, of a calibration or for an encoder of a job.
func (s *Server) postCertificate(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	var in struct {
		Calibration int64 `json:"calibration"`
		Job         int64 `json:"job"`
	}
	if err := readBody(r, &in); err != nil {
		return err
	}
	if (in.Calibration > 0) == (in.Job > 0) {
		return invalid(Fault{"/calibration", "a certificate is of one calibration, an encoder's of one job", `send {"calibration":ID}, or {"job":ID} for an encoder`})
	}
	key := r.Header.Get("Idempotency-Key")
	if err := checkKey(key); err != nil {
		return err
	}
	n := store.NewCertificate{Instrument: id, Calibration: in.Calibration, Job: in.Job, Actor: actor(r), IdempotencyKey: key}
	c, replayed, err := s.certify(r.Context(), n)
	if err != nil {
		return certificateFault(n, err)
	}
	created(w, fmt.Sprintf("/api/v1/certificates/%d", c.Number), replayed)
	return writeJSON(w, http.StatusCreated, certificateOf(c))
}

// certify drafts a certificate as all stands now, and freezes it.
func (s *Server) certify(ctx context.Context, n store.NewCertificate) (store.Certificate, bool, error) {
	if _, err := s.store.Instrument(ctx, n.Instrument); err != nil {
		return store.Certificate{}, false, err
	}
	if n.Job != 0 {
		return s.certifyEncoder(ctx, n)
	}
	st, err := s.store.CalibrationStanding(ctx, n.Calibration, 0)
	if err != nil {
		return store.Certificate{}, false, err
	}
	// The evaluation takes its time, hence not within the commit, which refuses
	// first what cannot be evaluated.
	d, failed := certificate.Draft(st, s.software, s.evaluate)
	return s.store.IssueCertificate(ctx, n, func(number, version int64, at time.Time) ([]byte, error) {
		if failed != nil {
			return nil, newProblem(http.StatusConflict, "not-evaluable", "These points cannot be evaluated yet", failed.Error(), "take the points that are missing")
		}
		return d.Freeze(number, version, at)
	})
}

// certifyEncoder drafts a certificate of an encoder by what a job saw of it.
func (s *Server) certifyEncoder(ctx context.Context, n store.NewCertificate) (store.Certificate, bool, error) {
	st, err := s.store.EncoderStanding(ctx, n.Instrument, n.Job, 0)
	if err != nil {
		return store.Certificate{}, false, err
	}
	index, err := s.solver.indexOf(ctx, st.Standing)
	if err != nil {
		return store.Certificate{}, false, err
	}
	d := certificate.DraftEncoder(st, s.software, index)
	return s.store.IssueCertificate(ctx, n, func(number, version int64, at time.Time) ([]byte, error) {
		return d.Freeze(number, version, at)
	})
}

// certificateFault points at what of the body cannot be so.
func certificateFault(n store.NewCertificate, err error) error {
	switch {
	case errors.Is(err, store.ErrForeignCalibration) && n.Job != 0:
		return invalid(Fault{"/job", err.Error(), "name a job that was swept with it"})
	case errors.Is(err, store.ErrForeignCalibration):
		return invalid(Fault{"/calibration", err.Error(), fmt.Sprintf("name one of its own: /api/v1/instruments/%d/calibrations lists them", n.Instrument)})
	case errors.Is(err, store.ErrCalibrationRuns), errors.Is(err, store.ErrNoPoints):
		return newProblem(http.StatusConflict, "not-certifiable", "No certificate can be made of this calibration", err.Error(), "end a calibration that has points first, or sweep the job")
	}
	return err
}

// writeFrozen answers with a document whose hash is its tag.
func writeFrozen(w http.ResponseWriter, r *http.Request, hash string, document []byte) error {
	w.Header().Set("ETag", etag(hash))
	w.Header().Set("Cache-Control", "no-cache")
	if matches(r.Header.Get("If-None-Match"), etag(hash)) {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	w.Header().Set("Content-Type", "application/json")
	w.Write(document) //nolint:errcheck // the client left
	return nil
}
