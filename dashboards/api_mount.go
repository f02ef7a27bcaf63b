package dashboards

import (
	"fmt"
	"math"
	"net/http"
	"time"
)

// mountDoc is a mounting of the encoder that begins.
type mountDoc struct {
	Mount     int       `json:"mount"`
	TurnedDeg *float64  `json:"turned_deg"` // null: nobody knows
	At        time.Time `json:"at"`
}

// postMount says that the encoder's adapter was taken off the crank and put
// back, and by how much it stands turned since.
func (s *Server) postMount(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		TurnedDeg *float64 `json:"turned_deg"`
	}
	return s.post(w, r, &in, func() (string, any, error) {
		if in.TurnedDeg != nil && !(math.Abs(*in.TurnedDeg) <= 360) {
			return "", nil, invalid(Fault{"/turned_deg", fmt.Sprintf("%g° is more than a turn", *in.TurnedDeg), "give the degrees in running direction, 0 where it stands as before, or null where nobody knows"})
		}
		d, err := s.bench.Remount(r.Context(), in.TurnedDeg)
		return "/api/v1/bench", mountDoc{d.Number, in.TurnedDeg, time.Now().UTC()}, err
	})
}

// remountButton says how the adapter was put back.
type remountButton struct{ Text, Body string }

// remounts are the ways to put it back that tell the most of its eccentricity.
func remounts() []remountButton {
	return []remountButton{
		{"as it was", `{"turned_deg":0}`}, {"turned by 45°", `{"turned_deg":45}`}, {"turned by 90°", `{"turned_deg":90}`}, {"turned by 180°", `{"turned_deg":180}`},
		{"at an angle nobody knows", `{"turned_deg":null}`},
	}
}
