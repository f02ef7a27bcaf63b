package virtual

import "errors"

// encoderName is the encoder's name among the instruments.
const encoderName = "encoder"

var errNoPorts = errors.New("virtual bench: this run has no ports to unplug or to disturb: use a Rig")

// Unplug hangs an instrument's port up ("encoder" or an indicator's name),
// once its reader has taken what was sent. The instrument itself goes on.
func (o *Operator) Unplug(instrument string) error {
	if o.ports == nil {
		return errNoPorts
	}
	return o.ports.unplug(instrument)
}

// Replug brings an unplugged port back under its name.
func (o *Operator) Replug(instrument string) error {
	if o.ports == nil {
		return errNoPorts
	}
	return o.ports.replug(instrument)
}

// Garbage sends raw bytes on an instrument's port, between its lines.
func (o *Operator) Garbage(instrument string, raw []byte) error {
	if o.ports == nil {
		return errNoPorts
	}
	return o.ports.garbage(instrument, raw)
}

// Press presses the pedal of an instrument that has one.
func (o *Operator) Press(instrument string) error {
	if o.ports == nil {
		return errNoPorts
	}
	return o.ports.press(instrument)
}

// Slip lets the encoder slip on the crank's nose by deg, unnoticed.
func (o *Operator) Slip(deg float64) { o.bench.offsetDeg += deg }

// Remount takes the encoder's adapter off and puts it back turned by deg: a
// new mount, with a new zero and its eccentricity turned along.
func (o *Operator) Remount(deg float64) {
	b := o.bench
	b.offsetDeg += Range{-20, 20}.draw(o.rng)
	b.reclockDeg += deg
	b.mount++
}

// Mute silences an instrument ("encoder" or an indicator's name) or lets it
// speak again.
func (o *Operator) Mute(instrument string, mute bool) error {
	if instrument == encoderName {
		o.bench.muted[0] = mute
		return nil
	}
	i, err := o.indicator(instrument)
	if err == nil {
		o.bench.muted[1+i] = mute
	}
	return err
}

// LoseCounts sets the encoder's count to zero, as a loss of power does: a new
// mount.
func (o *Operator) LoseCounts() {
	b := o.bench
	b.offsetDeg -= b.truth.Encoder.encoderAngle(b.crank.encoderDeg, b.offsetDeg, b.reclockDeg)
	b.mount++
}
