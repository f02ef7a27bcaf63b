package acquire

import "strings"

// Why a sweep ended.
const (
	CauseReversal   = "reversal"
	CauseWindow     = "window"
	CauseSelection  = "selection"
	CauseIdle       = "idle"
	CausePortLost   = "port_lost"
	CauseLostCounts = "lost_counts"
	CauseRemount    = "remount"
	CauseZero       = "zero"
	CauseShutdown   = "shutdown"
	CauseDone       = "done" // a person who read it said so
)

// Causes lists every cause, for metrics that must exist before they count.
func Causes() []string {
	return []string{CauseReversal, CauseWindow, CauseSelection, CauseIdle, CausePortLost, CauseLostCounts, CauseRemount, CauseZero, CauseShutdown, CauseDone}
}

// CauseWords says what ended a sweep, "" for one that has not ended.
func CauseWords(cause string) string {
	switch cause {
	case CauseReversal:
		return "turned the other way"
	case CauseWindow:
		return "past the window"
	case CauseSelection:
		return "another cylinder was selected"
	case CauseZero:
		return "the display was zeroed"
	case CauseIdle:
		return "stood still"
	case CausePortLost:
		return "the port was lost"
	case CauseLostCounts:
		return "the encoder lost counts"
	case CauseRemount:
		return "the encoder was mounted anew"
	case CauseShutdown:
		return "the program was stopped"
	case CauseDone:
		return "read to its end"
	}
	return strings.ReplaceAll(cause, "_", " ")
}
