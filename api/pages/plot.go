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
	fmt.Fprintf(&s, `<svg class="span" viewBox="0 0 %g %g" preserveAspectRatio="none" aria-hidden="true">`, width, height)
	s.line("scale", 0, height/2, width, height/2)
	s.rect("range", x(r.Low.Float()), 3, math.Max(1, x(r.High.Float()-r.Low.Float())), height-6)
	s.line("expected", x(r.Expected.Float()), 0, x(r.Expected.Float()), height)
	return s.end()
}

// spot is a round point, however the image is stretched: the end of a line without length.
func (s *svg) spot(class string, x, y float64) {
	fmt.Fprintf(s, `<path class="spot %s" d="M%s %sh0"/>`, class, n1(x), n1(y))
}

// strip draws a chance on a scale from 0 to 1: its range, a dot for what it is now, and rings for what earlier
// assessments said, joined to it.
func strip(g score.Gate, earlier []score.Share) template.HTML {
	const width, height, edge = 240.0, 18.0, 6.0
	x := func(s score.Share) float64 { return edge + s.Float()*(width-2*edge) }
	const middle = height / 2
	var s svg
	fmt.Fprintf(&s, `<svg class="strip" viewBox="0 0 %g %g" preserveAspectRatio="none" aria-hidden="true">`, width, height)
	s.line("scale", edge, middle, width-edge, middle)
	for _, tick := range []score.Share{0, allOfIt / 2, allOfIt} {
		s.line("scale", x(tick), middle-4, x(tick), middle+4)
	}
	if g.ChanceThroughHigh > 0 {
		s.rect("range", x(g.ChanceThroughLow), middle-3, math.Max(1, x(g.ChanceThroughHigh)-x(g.ChanceThroughLow)), 6)
	}
	at := x(g.ChanceThrough)
	for _, was := range earlier {
		s.line("moved", x(was), middle, at, middle)
		s.spot("ring", x(was), middle)
		s.spot("hole", x(was), middle)
	}
	s.spot("dot", at, middle)
	return s.end()
}
