package dashboards

import (
	"io"
	"strings"

	"crownmark/fit/calibrate"
)

// calFileStyle is for a graph that stands alone, beside plotStyle.
const calFileStyle = `.doubtband{fill:#e4e2da}.meanerror{fill:none;stroke:#17191c;stroke-width:3.2;stroke-linejoin:round}.rept{fill:none;stroke:#17191c;stroke-width:1.1}` +
	`.limit{stroke:#17191c;stroke-width:1.4;stroke-dasharray:9 4 2 4}`

// CalibrationSVG draws a calibration's errors, the correction and its doubt as
// a file of its own, in English and mm. Errors are the writer's.
func CalibrationSVG(w io.Writer, r calibrate.Result) error {
	svg := string(calPlot{say: filledIn}.errorGraph(r))
	if head, rest, ok := strings.Cut(svg, ">"); ok {
		svg = head + "><style>" + plotStyle + calFileStyle + `</style><rect class="sheet" x="0" y="0" width="` + px(graphW) + `" height="` + px(graphH) + `"/>` + rest + "\n"
	}
	_, err := io.WriteString(w, svg)
	return err
}
