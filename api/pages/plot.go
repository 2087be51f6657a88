package pages

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"laidup/internal/score"
)

// Plots are SVG that takes its colours from the page, so that it is read on paper, in the dark and in
// black and white: what belongs to what is told by pattern, place and words, never by colour alone.

// svg collects an image. The text alternative is its title.
type svg struct {
	strings.Builder
	id string
}

func newSVG(id, class, title string, width, height int) *svg {
	s := &svg{id: id}
	fmt.Fprintf(s, `<svg class="plot %s" viewBox="0 0 %d %d" role="img" aria-labelledby="%s"><title id="%s">%s</title>`, class, width, height, id, id, template.HTMLEscapeString(title))
	return s
}

func (s *svg) end() template.HTML {
	_, _ = s.WriteString("</svg>")
	return template.HTML(s.String()) // #nosec G203 -- every text in it is escaped, everything else is numbers
}

func (s *svg) rect(class string, x, y, w, h float64) {
	fmt.Fprintf(s, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, n1(x), n1(y), n1(max(w, 0)), n1(h))
}

func (s *svg) line(class string, x1, y1, x2, y2 float64) {
	fmt.Fprintf(s, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`, class, n1(x1), n1(y1), n1(x2), n1(y2))
}

func (s *svg) text(class string, x, y float64, text string) {
	fmt.Fprintf(s, `<text class="%s" x="%s" y="%s">%s</text>`, class, n1(x), n1(y), template.HTMLEscapeString(text))
}

// n1 writes a number with one decimal at most.
func n1(v float64) string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0")
}

// bar is one weight of an entry: it goes from one sum to the next.
type bar struct {
	Kind     string // prior, for, against or total
	Label    string
	DB       float64
	from, to float64
}

// bars lays the weights of a cause end to end: the prior from nought, then what the vehicle's facts make
// of it, then each piece of evidence from where the sum stood, then the sum itself.
func (p *Pages) bars(e score.Cause, prior, shifts, total string) []bar {
	at := e.PriorDB.Float()
	list := []bar{{"prior", prior, at, 0, at}}
	if db := e.ShiftsDB.Float(); db != 0 {
		list = append(list, bar{"prior", shifts, db, at, at + db})
		at += db
	}
	for _, ev := range e.Evidence {
		db := ev.EffectiveDB.Float()
		kind := "for"
		if db < 0 {
			kind = "against"
		}
		list = append(list, bar{kind, p.words.Placed(ev.Because, ev.At), db, at, at + db})
		at += db
	}
	return append(list, bar{"total", total, e.TotalDB.Float(), 0, e.TotalDB.Float()})
}

const barWidth, barHeight = 220.0, 12.0

// weights draws one bar of an entry on the scale that all bars of the page share: from -60 to +60
// decibans, with a line at even odds.
func weights(b bar) template.HTML {
	x := func(db float64) float64 { return barWidth * (math.Max(-60, math.Min(60, db)) + 60) / 120 }
	from, to := x(b.from), x(b.to)
	var s svg
	fmt.Fprintf(&s, `<svg class="weight" viewBox="0 0 %g %g" aria-hidden="true">`, barWidth, barHeight)
	s.rect("w-"+b.Kind, math.Min(from, to), 2, math.Max(1, math.Abs(to-from)), barHeight-4)
	s.line("even", x(0), 0, x(0), barHeight)
	return s.end()
}

// split draws how much of the risk rests on what was found, on somebody's word and on what nobody knows.
func split(id, title string, on resting) template.HTML {
	const width, height = 600, 26
	s := newSVG(id, "split", title, width, height)
	total := on.total()
	if total <= 0 {
		total = 1
	}
	at := 0.0
	for _, part := range []struct{ class, on string }{{"found", score.RestsOnFound}, {"told", score.RestsOnTold}, {"unknown", score.RestsOnUnknown}} {
		if w := width * on[part.on] / total; w > 0 {
			s.rect(part.class, at+0.5, 0.5, w-1, height-1)
			at += w
		}
	}
	return s.end()
}

// span draws a condition on a scale from 0 to 100: the range as a bar, what is expected as a mark.
func span(r score.Range) template.HTML {
	const width, height = 200.0, 14.0
	x := func(v float64) float64 { return v / 100 * width }
	var s svg
	fmt.Fprintf(&s, `<svg class="span" viewBox="0 0 %g %g" aria-hidden="true">`, width, height)
	s.line("scale", 0, height/2, width, height/2)
	s.rect("range", x(r.Low.Float()), 3, math.Max(1, x(r.High.Float()-r.Low.Float())), height-6)
	s.line("expected", x(r.Expected.Float()), 0, x(r.Expected.Float()), height)
	return s.end()
}

// point is what one assessment said of a gate.
type point struct{ coverage, chance float64 }

// series is one gate over the assessments of a vehicle.
type series struct {
	label  string
	points []point
}

// dashes tell the gates apart without colour.
var dashes = []string{"", "7 3", "2 3", "9 3 2 3", "1 4", "12 4"}

// chances draws the chance of getting through each gate over how much of the vehicle was looked at.
func chances(percent func(score.Share) string, id, title, across, up string, all []series) template.HTML {
	const width, height, left, bottom, right, top = 640.0, 310.0, 52.0, 40.0, 150.0, 30.0
	least := 1.0
	for _, line := range all {
		for _, p := range line.points {
			least = math.Min(least, math.Floor(4*p.coverage)/4)
		}
	}
	least = math.Min(least, 0.75)
	x := func(v float64) float64 { return left + (v-least)/(1-least)*(width-left-right) }
	y := func(v float64) float64 { return height - bottom - v*(height-bottom-top) }
	s := newSVG(id, "chances", title, int(width), int(height))
	for _, v := range []float64{0, 0.25, 0.5, 0.75, 1} {
		at := least + v*(1-least)
		s.line("grid", x(least), y(v), x(1), y(v))
		s.text("tick end", x(least)-6, y(v)+4, percent(shareOf(v, 1)))
		s.text("tick middle", x(at), height-bottom+16, percent(shareOf(at, 1)))
	}
	s.text("axis middle", x((1+least)/2), height-6, across)
	s.text("axis", 2, 12, up)
	used := []float64{}
	for i, line := range all {
		if len(line.points) == 0 {
			continue
		}
		var path strings.Builder
		for _, p := range line.points {
			fmt.Fprintf(&path, "%s,%s ", n1(x(p.coverage)), n1(y(p.chance)))
		}
		fmt.Fprintf(s, `<polyline class="gate" stroke-dasharray="%s" points="%s"/>`, dashes[i%len(dashes)], strings.TrimSpace(path.String()))
		last := line.points[len(line.points)-1]
		fmt.Fprintf(s, `<circle class="dot" cx="%s" cy="%s" r="2.5"/>`, n1(x(last.coverage)), n1(y(last.chance)))
		// Labels stand beside the plot, one under the other, with a line to where they belong.
		at := y(last.chance)
		for _, u := range used {
			if math.Abs(at-u) < 13 {
				at = u + 13
			}
		}
		used = append(used, at)
		s.line("lead", x(last.coverage)+4, y(last.chance), x(1)+6, at)
		s.text("label", x(1)+10, at+4, line.label)
	}
	return s.end()
}
