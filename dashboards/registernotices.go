package dashboards

import (
	"context"
	"fmt"
	"slices"

	"crownmark/acquire"
	"crownmark/store"
)

// registerNotices say where what is plugged in is not what the register expects:
// an indicator that it does not know, or one that belongs in another place. A
// register that cannot be read is told by the log.
func (s *Server) registerNotices(ctx context.Context, n acquire.Snapshot) []noticeEvent {
	list, err := s.store.Registered(ctx)
	if err != nil {
		s.log.Error("the register cannot be read", "err", err)
		return nil
	}
	return noticesOf(list, n.Indicators)
}

// noticesOf asks nothing of a shop that does not go by identity, nor of what has
// none.
func noticesOf(list []store.Instrument, plugged []acquire.InstrumentState) (notices []noticeEvent) {
	list = slices.DeleteFunc(slices.Clone(list), func(i store.Instrument) bool {
		return i.State != store.LibraryKept || i.Record.Kind != store.RegisterIndicator
	})
	byIdentity := func(identity string) int {
		return slices.IndexFunc(list, func(i store.Instrument) bool { return i.Record.Identity == identity })
	}
	goesByIdentity := slices.ContainsFunc(list, func(i store.Instrument) bool { return i.Record.Identity != "" })
	for _, p := range plugged {
		if p.Identity == "" {
			continue
		}
		named := slices.IndexFunc(list, func(i store.Instrument) bool { return i.Record.BenchName != "" && i.Record.BenchName == p.Name })
		switch at := byIdentity(p.Identity); {
		case at >= 0 && named >= 0 && named != at, at >= 0 && named < 0 && list[at].Record.BenchName != "":
			notices = append(notices, noticeEvent{"indicator_swapped", fmt.Sprintf("Indicator %s is the register's “%s”, which belongs elsewhere.", p.Name, list[at].Record.Name),
				"Plug it in where it belongs, or change its bench name in the register. Its own calibration is applied all the same."})
		case at < 0 && goesByIdentity && (named < 0 || list[named].Record.Identity != ""):
			notices = append(notices, noticeEvent{"indicator_unknown", fmt.Sprintf("Indicator %s is not in the register: it is measured without a calibration.", p.Name),
				"Put it into the register, or plug in the one that is."})
		}
	}
	return notices
}
