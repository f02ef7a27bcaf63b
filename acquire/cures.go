package acquire

// Cure is a state of an instrument, or a reason why bytes gave no reading, with
// what it means and what to do.
type Cure struct{ What, Means, Do string }

// StateCures are all states of an instrument.
func StateCures() []Cure {
	return []Cure{
		{StatusLive, "Readings come.", "Nothing to do."},
		{StatusWaiting, "The port is open, or is being opened; nothing has come yet.", "Switch the instrument on; an instrument that speaks at a pedal's press waits for it."},
		{StatusSilent, "The port is open, but nothing comes any more, or never came.", "Switch the instrument on, check its cable, and compare speed, frame and request with its manual."},
		{StatusGarbled, "Bytes come, but no line can be read.", "Compare baud, frame and pattern in the bench file with the instrument's manual; check cable and screening."},
		{string(PortAbsent), "Nothing stands at the port's path.", "Plug the instrument in, or correct its port in the bench file."},
		{string(PortBusy), "Another program holds the port.", "End that program; the port is then opened by itself."},
		{string(PortPermission), "This user may not open the port.", "Put the user into the group that owns the port, then log out and in again."},
		{string(PortNotSerial), "What stands at the path is no serial port.", "Correct its port in the bench file."},
		{string(PortFailed), "The system refused the port.", "Unplug it and plug it in again; if that does not help, try another adapter or cable."},
		{string(PortLost), "The port went away while it was open, or what speaks there hangs.", "Plug the instrument in again; it goes on by itself."},
	}
}

// UnusedCures are all reasons why bytes or readings were not used.
func UnusedCures() []Cure {
	return []Cure{
		{string(UnusedGarbage), "Lines that the pattern does not fit.", "Compare pattern, baud and frame with the manual; a few after switching on are usual."},
		{string(UnusedPartial), "Half lines: the first after opening, or one that the lost port cut off.", "Nothing to do, unless they come all the time: then check the cable."},
		{string(UnusedTooLong), "No line end for 256 bytes.", "Compare baud and frame with the manual; the instrument may speak another format."},
		{string(UnusedError), "The instrument itself reports an error.", "Look at its display: out of its range, or its battery low."},
		{string(UnusedRange), "Numbers that no such instrument can show, or a single angle that fits neither neighbour.", "Check cable and screening; keep ignition leads and welding sets away."},
		{string(UnusedNoise), "Zero bytes: parity errors and breaks on the line.", "Check cable, screening and plug; compare the frame's parity with the manual."},
		{string(UnusedOverrun), "The store could not keep up.", "Free the disk from other work, or use a faster one; sweep again."},
		{string(UnusedUnwatched), "Good readings that were shown and not kept, because no job was selected or nothing moved.", "Nothing to do."},
	}
}
