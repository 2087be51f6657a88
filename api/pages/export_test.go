package pages

import "fmt"

// Laid is what of a sheet stands on its pages as PDF, one text for each block, without what stands
// on every page. The error tells of what stands outside of its page.
func (s *Sheet) Laid() (laid [][]string, err error) {
	w, err := newPDF(s)
	if err != nil {
		return nil, err
	}
	for n, page := range w.pages {
		var blocks []string
		for _, b := range page {
			text := ""
			for _, r := range b.runs {
				if r.y < b.from || r.y >= b.to {
					continue
				}
				text += r.text + " "
				if y := b.y + r.y; y < firstTop || y > pageBottom+r.size {
					err = fmt.Errorf("page %d: %q stands at %.0f", n+1, r.text, y)
				}
				if end := pageLeft + r.x + w.width(r.phrase, r.size); end > pageRight+1 {
					err = fmt.Errorf("page %d: %q ends at %.0f", n+1, r.text, end)
				}
			}
			blocks = append(blocks, text)
		}
		laid = append(laid, blocks)
	}
	return laid, err
}

// StartLine is a line of a start sheet as it is written.
type StartLine struct{ Of, Say, Kind, Cite string }

// StartLines lists them, with the kinds of vehicle that there are.
func (s *Sheets) StartLines() (lines []StartLine, kinds []string) {
	for _, l := range s.starts.lines() {
		lines = append(lines, StartLine{l.Of, l.Say, l.Source.Kind, l.Source.Cite})
	}
	for k := range s.starts.Kinds {
		kinds = append(kinds, k)
	}
	return lines, kinds
}

// Decides says whether the catalogue has the facts that a kind of vehicle hangs on.
func (s *Sheets) Decides(kind string) bool { return s.starts.when[kind] != nil }

// StartGates lists the gates at which there is something to do.
func (s *Sheets) StartGates() (gates []string) {
	for g := range s.starts.Gates {
		gates = append(gates, g)
	}
	for _, w := range s.starts.Watch {
		gates = append(gates, w.From)
	}
	return gates
}

// ShareOf is shareOf.
var ShareOf = shareOf
