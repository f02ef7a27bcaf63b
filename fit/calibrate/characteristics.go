package calibrate

import "math"

// Characteristics after ISO 463, ISO 13102 and JIS B 7503, in mm. The same
// formulas serve readings (low and top of a cell differ) and a noise-free
// curve (they are one). A characteristic that the points do not give is null.

// total is max − min of all errors, every run, both directions. Repeats do
// not count.
func total(cells []cell) *float64 {
	if len(cells) == 0 {
		return nil
	}
	return pointer(spread(cells))
}

func spread(cells []cell) float64 {
	low, top := math.Inf(1), math.Inf(-1)
	for i := range cells {
		low, top = min(low, cells[i].low), max(top, cells[i].top)
	}
	return decimals(top-low, 12)
}

// local is the largest max − min inside one of the windows.
func local(cells []cell, windows [][2]int) *float64 {
	if len(windows) == 0 {
		return nil
	}
	most, first := 0.0, 0
	for _, w := range windows {
		for cells[first].at < w[0] {
			first++
		}
		end := first
		for end < len(cells) && cells[end].at <= w[1] {
			end++
		}
		most = max(most, spread(cells[first:end]))
	}
	return &most
}

// hysteresis is the largest |down − up| at one point within one run.
func hysteresis(pairs []pair) *float64 {
	if len(pairs) == 0 {
		return nil
	}
	most := 0.0
	for _, p := range pairs {
		most = max(most, math.Abs(p.down-p.up))
	}
	return pointer(decimals(most, 12))
}

// repeatability is the largest range of the repeats at one point; a single
// reading has none.
func repeatability(all []repeats) *float64 {
	var most *float64
	for _, r := range all {
		if len(r.errors) < 2 {
			continue
		}
		low, top := r.errors[0], r.errors[0]
		for _, e := range r.errors {
			low, top = min(low, e), max(top, e)
		}
		if w := decimals(top-low, 12); most == nil || w > *most {
			most = &w
		}
	}
	return most
}

// linearity is the largest deviation of an error from the straight line fitted
// by least squares through all errors over the reference. Two points or fewer
// have none.
func linearity(refs []float64, cells []cell) *float64 {
	if len(refs) < 3 {
		return nil
	}
	a, b := straight(refs, cells)
	most := 0.0
	for i := range cells {
		at := a + b*refs[cells[i].at]
		most = max(most, math.Abs(cells[i].top-at), math.Abs(cells[i].low-at))
	}
	return pointer(decimals(most, 12))
}

// straight is the least-squares line a + b·reference, every reading once.
func straight(refs []float64, cells []cell) (a, b float64) {
	n, mx, my := 0.0, 0.0, 0.0
	for i := range cells {
		w := float64(cells[i].n)
		n, mx, my = n+w, mx+w*refs[cells[i].at], my+w*cells[i].mean
	}
	mx, my = mx/n, my/n
	sxx, sxy := 0.0, 0.0
	for i := range cells {
		dx := refs[cells[i].at] - mx
		sxx += float64(cells[i].n) * dx * dx
		sxy += float64(cells[i].n) * dx * (cells[i].mean - my)
	}
	if sxx > 0 {
		b = sxy / sxx
	}
	return my - b*mx, b
}

func pointer(v float64) *float64 { return &v }
