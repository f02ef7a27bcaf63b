package acquire

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// DatumByMarks is the cause of what begins with a hand sweep: the marks are its
// encoder, and no adapter is touched.
const DatumByMarks = "marks"

// remountTold is before the degrees in a mount's cause.
const remountTold = CauseRemount + ":"

// Remount says that the encoder's adapter was just taken off the crank and put
// back: a new mount begins with the next count, and running sweeps end. turnedDeg is by how
// much it stands further in running direction than before (0: as it was), nil
// where nobody knows. Told for every mount of a job, it lets the encoder's
// eccentricity be told from the crank. It returns once that is stored.
func (b *Bench) Remount(ctx context.Context, turnedDeg *float64) (Datum, error) {
	cause := CauseRemount
	if turnedDeg != nil {
		if !(math.Abs(*turnedDeg) <= 360) {
			return Datum{}, fmt.Errorf("an adapter turned by %g° cannot be: give −360 to 360 degrees in running direction", *turnedDeg)
		}
		cause = remountTold + strconv.FormatFloat(*turnedDeg, 'f', -1, 64)
	}
	return result(ctx, b, false, func(l *loop, d *Datum) error {
		if l.enc.opened == nil || l.enc.fresh {
			return fmt.Errorf("the encoder is %w (%s): get it going, then say so", ErrNotLive, l.status(l.enc))
		}
		l.sweeps(l.detector.end(-1, CauseRemount))
		l.detector.reclock()
		l.lastMove, l.heldMove = move{}, move{}
		l.announce(l.enc)
		*d = l.startMount(cause, l.enc.seq+1)
		l.noticeNewMount("the encoder was mounted anew")
		return nil
	})
}

// TurnedDeg reads from a mount's cause by how much the adapter was turned on the
// crank when it began; told is false where nobody said.
func TurnedDeg(cause string) (deg float64, told bool) {
	text, told := strings.CutPrefix(cause, remountTold)
	if !told {
		return 0, false
	}
	deg, err := strconv.ParseFloat(text, 64)
	return deg, err == nil
}
