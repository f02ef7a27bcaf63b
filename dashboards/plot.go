package dashboards

import (
	"errors"
	"io"

	"crownmark/fit"
)

// PlotOptions says how CurvesSVG draws. The zero value is good for a file.
type PlotOptions struct {
	Cylinder int  // 0: all cylinders, one panel each
	WidthPX  int  // 0: 960
	Inline   bool // inside a page: colours come from the page's style sheet
}

// CurvesSVG draws every sweep on its cylinder's own top, with the residuals of
// the crank model beneath.
func CurvesSVG(w io.Writer, index fit.Index, o PlotOptions) error {
	return errors.New("plot: not yet")
}
