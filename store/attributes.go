package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"
)

// Stages of a job: what of the engine stands on the bench.
const (
	StageBareBlock     = "bare_block"
	StageAssembled     = "assembled"
	StageInCar         = "in_car"
	StageAfterGrinding = "after_grinding"
)

// Stages are all of them, in the order of the work.
func Stages() []string {
	return []string{StageBareBlock, StageAssembled, StageInCar, StageAfterGrinding}
}

// closedUp says whether the valves are in at that stage, so that the
// compression tops are the ones to go by.
func closedUp(stage string) bool { return stage == StageAssembled || stage == StageInCar }

// Keys of job_attribute.
const (
	attrStage     = "stage"
	attrReference = "customer_reference"
	attrNotes     = "notes"
	attrTags      = "tags"
	attrOrder     = "order"
	attrCautions  = "cautions"
	attrLibrary   = "library_engine"
	attrFollows   = "follows"
)

// attribute is the row of a key that is in force.
type attribute struct {
	Value  string `json:"value"`
	Actor  string `json:"actor"`
	UnixNS int64  `json:"unix_ns"`
}

const attributesQuery = `(SELECT json_group_object(a.key, json_object('value', a.value, 'actor', a.actor, 'unix_ns', k.unix_ns))
	FROM job_attribute a JOIN ledger k ON k.id = a.ledger
	WHERE a.id IN (SELECT max(id) FROM job_attribute WHERE job = j.id GROUP BY key))`

// takeAttributes fills in what the attributes say; Engine is known already.
func (j *Job) takeAttributes(text string) error {
	var kept map[string]attribute
	errs := []error{json.Unmarshal([]byte(text), &kept)}
	j.Stage, j.CustomerReference, j.Notes = kept[attrStage].Value, kept[attrReference].Value, kept[attrNotes].Value
	for key, into := range map[string]any{attrTags: &j.Tags, attrOrder: &j.Order, attrLibrary: &j.LibraryEngine, attrFollows: &j.Follows} {
		if a, ok := kept[key]; ok {
			errs = append(errs, json.Unmarshal([]byte(a.Value), into))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("job %d: its kept attributes cannot be read; run `crownmark verify`: %w", j.ID, err)
	}
	// The engine may have been changed since the order was given.
	if j.OrderGiven = len(j.Order) > 0 && j.Engine.IsOrder(j.Order); !j.OrderGiven {
		j.Order = j.Engine.Order(closedUp(j.Stage))
	}
	if a, ok := kept[attrCautions]; ok {
		j.Cautions = &Acknowledgement{time.Unix(0, a.UnixNS).UTC(), a.Actor}
	}
	return nil
}

// texts are the attributes that are set, as they are kept.
func (a JobAttributes) texts() (map[string]string, error) {
	out := map[string]string{}
	if a.Stage != nil {
		if *a.Stage != "" && !slices.Contains(Stages(), *a.Stage) {
			return nil, fmt.Errorf("%w: stage %q; it is one of %q", ErrInvalid, *a.Stage, Stages())
		}
		out[attrStage] = *a.Stage
	}
	for key, v := range map[string]*string{attrReference: a.CustomerReference, attrNotes: a.Notes} {
		if v != nil {
			out[key] = *v
		}
	}
	var errs []error
	if a.Tags != nil {
		errs = append(errs, putJSON(out, attrTags, append([]string{}, *a.Tags...)))
	}
	if a.Order != nil {
		errs = append(errs, putJSON(out, attrOrder, append([]int{}, *a.Order...)))
	}
	return out, errors.Join(errs...)
}

func putJSON(out map[string]string, key string, v any) error {
	b, err := json.Marshal(v)
	out[key] = string(b)
	return err
}

// changed are those of texts that are not in force already. What was never
// said is empty.
func (j Job) changed(texts map[string]string) (map[string]string, error) {
	a := JobAttributes{Stage: &j.Stage, CustomerReference: &j.CustomerReference, Notes: &j.Notes, Tags: &j.Tags, Order: &[]int{}}
	if j.OrderGiven {
		a.Order = &j.Order
	}
	now, err := a.texts()
	out := map[string]string{}
	for key, v := range texts {
		if v != now[key] {
			out[key] = v
		}
	}
	return out, err
}

// addAttributes keeps texts in the order of their keys.
func (c *change) addAttributes(job int64, texts map[string]string, actor string) error {
	for _, key := range slices.Sorted(maps.Keys(texts)) {
		id, err := c.nextID(tJobAttribute)
		if err != nil {
			return err
		}
		c.add(tJobAttribute, id, job, key, texts[key], actor)
	}
	return nil
}

// AcknowledgeCautions keeps that somebody has read the cautions before the
// work on this job. The first time counts; another adds nothing. Errors:
// ErrNotFound, ErrJobClosed.
func (s *Store) AcknowledgeCautions(ctx context.Context, id int64, actor string) (Job, error) {
	_, err := s.submit(ctx, func(c *change) error {
		now, err := loadJob(context.WithoutCancel(ctx), c.tx, id)
		switch {
		case err != nil:
			return err
		case now.Cautions != nil:
			return nil
		case now.State == JobClosed:
			return fmt.Errorf("job %d: %w", id, ErrJobClosed)
		}
		return c.addAttributes(id, map[string]string{attrCautions: "read"}, actor)
	}, nil)
	if err != nil {
		return Job{}, err
	}
	return s.Job(ctx, id)
}
