package pages

import (
	"fmt"
	"html/template"
	"math"

	"laidup/internal/score"
)

// Lot counts the vehicles of a list and draws them.
func (p *Pages) Lot(v *VehiclesView, rows []LotRow) error {
	counts := map[string]int{}
	for _, r := range rows {
		state := ""
		if r.At != nil {
			state = r.At.State
		}
		counts[state]++
	}
	for _, state := range []string{score.Clear, score.Unproven, score.Blocked, ""} {
		if counts[state] > 0 {
			v.Counts = append(v.Counts, LotCount{state, counts[state]})
		}
	}
	if len(rows) == counts[""] {
		return nil
	}
	title, err := p.text.say("lot_title", len(rows)-counts[""])
	if err != nil {
		return err
	}
	across, err := p.text.say("lot_across")
	if err != nil {
		return err
	}
	up, err := p.text.say("lot_up")
	if err != nil {
		return err
	}
	v.Plot = lotPlot(p.words.Percent, title, across, up, rows)
	return nil
}

// lotPlot draws a mark for each vehicle that is judged: to the right the chance of getting through, upwards what nobody
// has inspected. How it stands is told by the shape.
func lotPlot(percent func(score.Share) string, title, across, up string, rows []LotRow) template.HTML {
	const width, height, left, bottom, right, top = 360.0, 230.0, 44.0, 40.0, 12.0, 24.0
	least, most := 0.75, 0.25
	for _, r := range rows {
		if r.At != nil {
			least = min(least, math.Floor(4*r.At.ChanceThrough.Float())/4)
			most = max(most, math.Ceil(4*(1-r.Coverage.Share.Float()))/4)
		}
	}
	x := func(chance float64) float64 { return left + (chance-least)/(1-least)*(width-left-right) }
	y := func(unknown float64) float64 { return height - bottom - unknown/most*(height-bottom-top) }
	s := newSVG("lot", "lot", title, int(width), int(height))
	for _, v := range []float64{0, 0.5, 1} {
		s.line("grid", x(least), y(v*most), x(1), y(v*most))
		s.text("tick end", x(least)-6, y(v*most)+4, percent(shareOf(v*most, 1)))
		at := least + v*(1-least)
		s.line("grid", x(at), y(0), x(at), y(most))
		s.text("tick "+[]string{"", "middle", "end"}[int(2*v)], x(at), height-bottom+16, percent(shareOf(at, 1)))
	}
	s.text("axis end", x(1), height-6, across)
	s.text("axis", 2, 14, up)
	for _, r := range rows {
		if r.At == nil {
			continue
		}
		cx, cy := x(r.At.ChanceThrough.Float()), y(1-r.Coverage.Share.Float())
		name := "<title>" + template.HTMLEscapeString(r.Reference) + "</title>"
		switch r.At.State {
		case score.Blocked:
			fmt.Fprintf(s, `<path class="l-blocked" d="M%s %sh8v8h-8z">%s</path>`, n1(cx-4), n1(cy-4), name)
		default:
			fmt.Fprintf(s, `<circle class="l-%s" cx="%s" cy="%s" r="4">%s</circle>`, r.At.State, n1(cx), n1(cy), name)
		}
	}
	return s.end()
}
