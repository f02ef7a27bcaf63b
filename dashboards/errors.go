package dashboards

import (
	"context"
	"net/http"

	"crownmark/acquire"
	"crownmark/store"
)

type errorRow struct {
	is               error
	status           int
	code, title, fix string
}

// errorTable is the one place where errors of the rooms below become HTTP.
func errorTable() []errorRow {
	return []errorRow{
		{store.ErrNotFound, http.StatusNotFound, "not-found", "There is no such thing here", "list what there is at /api/v1/jobs"},
		{store.ErrJobClosed, http.StatusConflict, "job-closed", "The job is closed", `open it again: PATCH {"state":"open"}`},
		{store.ErrCalibrationEnded, http.StatusConflict, "calibration-ended", "The calibration has ended", "begin another: POST /api/v1/calibrations"},
		{store.ErrTaken, http.StatusConflict, "taken", "Another instrument of the register has it already", "name another, or retire that one first"},
		{store.ErrStorageFull, http.StatusInsufficientStorage, "storage-full", "The disk is full", "free some space; recording then goes on by itself"},
		{store.ErrReadOnly, http.StatusServiceUnavailable, "read-only", "The store is open for reading only", "use the daemon that records"},
		{store.ErrClosed, http.StatusServiceUnavailable, "stopping", "The program is stopping", "start it again"},
		{store.ErrKeyReused, http.StatusUnprocessableEntity, "idempotency-key-reused", "The Idempotency-Key was used for something else", "use a new key for a new request"},
		{store.ErrInvalid, http.StatusUnprocessableEntity, "invalid", "The request cannot be carried out as it stands", "see the detail"},
		{acquire.ErrNoMotion, http.StatusConflict, "no-motion", "Too little was turned", "turn a few degrees one way, stop, and try again"},
		{acquire.ErrNotLive, http.StatusConflict, "not-live", "The instrument is not heard", "see what /readyz says of it"},
		{acquire.ErrNoSelection, http.StatusConflict, "no-selection", "No job is selected", "PUT /api/v1/bench/selection first"},
		{acquire.ErrWrongJob, http.StatusConflict, "other-job", "Another job is selected", "select the job first"},
		{acquire.ErrNoHandSweep, http.StatusConflict, "not-being-read", "This sweep is not being read", "begin another: POST /api/v1/jobs/{id}/hand-sweeps"},
		{acquire.ErrNoStand, http.StatusConflict, "not-running", "This calibration does not run", "take it up again: POST /api/v1/calibrations/{id}/resume"},
		{acquire.ErrStandBusy, http.StatusConflict, "stand-busy", "Another calibration runs", "end it first: POST /api/v1/calibrations/{id}/end"},
		{acquire.ErrOnEngine, http.StatusConflict, "on-engine", "The indicator stands on an engine", "PUT /api/v1/bench/selection without it first"},
		{acquire.ErrOnStand, http.StatusConflict, "on-stand", "The indicator is being calibrated", "end that first: POST /api/v1/calibrations/{id}/end"},
		{acquire.ErrAllTaken, http.StatusConflict, "all-taken", "All points are taken", "end the calibration, or take the last point back"},
		{acquire.ErrNothingRead, http.StatusConflict, "nothing-read", "Nothing has been read yet", "read a mark first"},
		{acquire.ErrUnsteady, http.StatusConflict, "unsteady", "The display does not stand still", "hold the crank still and send it again, or send the height"},
		{acquire.ErrRefused, http.StatusConflict, "refused", "It cannot be kept as it is", "see the detail"},
		{acquire.ErrStopped, http.StatusServiceUnavailable, "stopping", "The program is stopping", "start it again"},
		{context.Canceled, 499, "left", "The client left", "ask again"},
		{context.DeadlineExceeded, http.StatusServiceUnavailable, "busy", "The program is busy", "ask again in a moment"},
	}
}
