package acquire

// Problem is one thing wrong with an instrument's configuration: the key of
// the bench file it stands under, what is wrong, and what to do.
type Problem struct {
	Key, Detail, Fix string
}

// CheckInstrument lists what is wrong with a configuration; nothing means that
// it can be opened.
func CheckInstrument(c InstrumentConfig) []Problem {
	return nil
}
