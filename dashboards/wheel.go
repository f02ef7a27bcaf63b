package dashboards

import (
	"html/template"
	"math"
	"slices"
	"strconv"
	"unicode/utf8"
)

// wheelTop is a cylinder's tab on the degree wheel.
type wheelTop struct {
	N   int     `json:"n"`
	Deg float64 `json:"deg"` // after the wheel's zero, in running direction
}

// wheelSVG draws the degree wheel as it is seen from the damper end. The wheel
// turns with the crank under a fixed pointer, so a mark for angle a lies a
// against the way of turning. hand is +1 for clockwise running, −1 otherwise;
// the page's script turns the group #turn and fills in the texts.
func wheelSVG(hand float64, tops []wheelTop) template.HTML {
	var d drawing
	const sheet = `<svg viewBox="-520 -520 1040 1040"%s>`
	d.add(`<div class="wheel" role="img" aria-label="degree wheel, seen from the damper end">`)
	d.add(sheet, "")
	d.circle("rim", 0, 0, 462)
	d.circle("rim thin", 0, 0, 380)
	d.add("</svg>")
	d.add(sheet, ` id="turn"`) // a sheet of its own: turned, not drawn again
	for deg := range 360 {
		inner, class := 446.0, "tick"
		if deg%5 == 0 {
			inner = 438
		}
		if deg%10 == 0 {
			inner, class = 426, "tick ten"
		}
		d.add(`<line class="%s" y1="%s" y2="-462" transform="rotate(%s)"/>`, class, px(-inner), px(-hand*float64(deg)))
		if deg%30 == 0 {
			d.add(`<text class="deg" text-anchor="middle" y="-394" transform="rotate(%s)">%d</text>`, px(-hand*float64(deg)), deg)
		}
	}
	for _, g := range together(tops) {
		half := 14 + 16*float64(utf8.RuneCountInString(g.text))
		d.add(`<g class="tab" transform="rotate(%s)"><path d="M%s -318h%sv-44l%s -20l%s 20z"/><text text-anchor="middle" y="-328">%s</text></g>`,
			px(-hand*g.deg), px(-half), px(2*half), px(-half), px(-half), g.text)
		for _, t := range g.tops {
			d.add(`<line class="tick at" y1="-424" y2="-462" transform="rotate(%s)"/>`, px(-hand*t.Deg))
		}
	}
	d.add("</svg>")
	d.add(sheet, "")
	d.add(`<path class="pointer" d="M0 -464l17 -46h-34z"/>`)
	d.add(`<path class="arrow" d="M%s -478A486 486 0 0 %s %s -443"/><path class="arrowhead" d="%s"/>`, px(hand*88), sweepFlag(hand), px(hand*200), arrowHead(hand))
	d.add(`<text id="turn-angle" class="angle" text-anchor="middle" y="30">—</text>`)
	d.add(`<text id="next-top" class="of" text-anchor="middle" y="112"></text>`)
	d.add(`<text id="angle-state" class="of state" text-anchor="middle" y="-132"></text></svg></div>`)
	return template.HTML(d.String())
}

// sweepFlag and arrowHead draw the arrow of running direction beside the pointer.
func sweepFlag(hand float64) string {
	if hand > 0 {
		return "1"
	}
	return "0"
}

func arrowHead(hand float64) string {
	return "M" + px(hand*222) + " -431l" + px(hand*-14) + " -22l" + px(hand*-12) + " 25z"
}

// tab is one place on the wheel: two pistons of a four-stroke come up side by side.
type tab struct {
	text string
	deg  float64
	tops []wheelTop
}

// together puts tops that lie within a tab's width under one tab, at their middle.
func together(tops []wheelTop) []tab {
	var tabs []tab
	for _, t := range tops {
		i := slices.IndexFunc(tabs, func(g tab) bool { return math.Abs(foldHalf(t.Deg-g.deg)) < 9 })
		if i < 0 {
			tabs = append(tabs, tab{strconv.Itoa(t.N), t.Deg, []wheelTop{t}})
			continue
		}
		g := &tabs[i]
		g.text += "·" + strconv.Itoa(t.N)
		g.tops = append(g.tops, t)
		g.deg += foldHalf(t.Deg-g.deg) / float64(len(g.tops))
	}
	return tabs
}

// foldHalf brings an angle's difference into ±180.
func foldHalf(deg float64) float64 { return math.Remainder(deg, 360) }
