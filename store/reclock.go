package store

import (
	"math"

	"crownmark/acquire"
)

// loadReclock finds by how much the encoder's adapter stands turned on the crank
// in each sweep's mount, against the job's first: what was said as each mount
// began, added up. Nothing is handed on where a mount began that nobody said the
// angle of, or where none was turned: one of unknown angle among the known would
// be taken for one that was not turned.
func (l *loader) loadReclock() error {
	first, last := l.encoderMounts()
	if first == last {
		return nil
	}
	type mount struct {
		number int
		cause  string
	}
	mounts, err := collect(l.ctx, l.q, func(row scanner) (m mount, err error) { return m, row.Scan(&m.number, &m.cause) },
		`SELECT number, cause FROM datum d WHERE kind = 'mount' AND number > ? AND number <= ?
		AND id = (SELECT min(id) FROM datum WHERE kind = 'mount' AND number = d.number) ORDER BY number`, first, last)
	if err != nil {
		return err
	}
	sum, turned := 0.0, false
	at := map[int]float64{first: 0}
	for _, m := range mounts {
		if m.cause == acquire.DatumByMarks {
			continue // a person's, read off the damper: the adapter is none of it
		}
		deg, told := acquire.TurnedDeg(m.cause)
		if !told {
			return nil
		}
		sum, turned = math.Mod(sum+deg, 360), turned || deg != 0
		at[m.number] = sum
	}
	if !turned {
		return nil
	}
	for i := range l.sweeps {
		if w := &l.sweeps[i]; w.AngleUDeg == 0 {
			if deg, ok := at[w.Mount]; ok {
				w.reclockDeg = &deg
			}
		}
	}
	return nil
}

// encoderMounts are the first and the last mount of the encoder that the job's
// sweeps were made in; 0, 0: none.
func (l *loader) encoderMounts() (first, last int) {
	for _, w := range l.sweeps {
		if w.AngleUDeg > 0 || w.Mount == 0 {
			continue
		}
		if first == 0 || w.Mount < first {
			first = w.Mount
		}
		last = max(last, w.Mount)
	}
	return first, last
}
