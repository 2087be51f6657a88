package pages

import (
	"cmp"
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/score"
)

// The states of a system in the picture of a vehicle, besides those of a gate: nobody looked at any of its items, or
// somebody did and none of them is in the way.
const (
	unseen = "unseen"
	fine   = "fine"
)

// PlacedSystem is a system with how it stands at the gate asked about.
type PlacedSystem struct {
	Number   int // in the picture; 0: nothing is to be said of it
	ID, Is   string
	State    string
	Because  string // the first thing in the way, briefly
	Blocker  int    // its rank
	More     int    // in the way besides
	LookedAt int
	Items    int
}

// Outline is a vehicle as seen from its left, with its systems where they sit.
type Outline struct {
	Picture template.HTML // empty: of such a kind there is no drawing
	Marked  []PlacedSystem
	Fine    int // systems that were looked at and are not in the way
}

// point is where a mark stands.
type point struct{ x, y float64 }

// A drawing is the outline of a kind of vehicle, facing left, and where its systems sit. Systems of the engine stand
// in a box of their own, from which a line leads to where the engine is.
type drawing struct {
	lines  string // SVG, in strokes of the page's ink
	places map[string]point
	engine map[string]point // by layout; "": any other
}

const (
	carLines = `<path d="M134 117 l1.4-16.3 q2.7-8.2 17.7-10.9 l62.5-6.8 27.2-23.1 q4.1-4.1 12.3-4.1 h49 q8.2 0 14.9 5.4 l23.1 19.1 36.7 5.4 q9.6 2.7 10.9 12.3 v19 h-26 a21.8 21.8 0 0 0-43.5 0 h-117 a21.8 21.8 0 0 0-43.5 0 z"/>` +
		`<path d="M225 81 l21.8-19 h31.3 v17.7 z M283.500 62 h20.400 l23.100 16.300 -43.500 1.400 z"/><circle cx="182" cy="120" r="17.500"/><circle cx="342" cy="120" r="17.500"/>`
	vanLines = `<path d="M134 140 l2-32 q2-10 14-14 l18-36 q4-8 16-8 h200 q8 0 8 8 v82 h-26 a22 22 0 0 0-44 0 h-116 a22 22 0 0 0-44 0 z"/>` +
		`<path d="M162 92 l15-31 h28 v31 z M216 52 v86"/><circle cx="184" cy="142" r="17"/><circle cx="344" cy="142" r="17"/>`
	motorcycleLines = `<circle cx="176" cy="128" r="34"/><circle cx="346" cy="128" r="34"/><path d="M176 128 l34-70 M196 50 l16 8 M208 70 q26-20 62-2 l-8 18 h-46 z M272 70 q36-8 70 4 l-8 12 h-68 z M232 94 h56 l6 44 h-66 z M290 132 l56-4 M332 86 l14 42"/>`
	ground          = `<path class="ground" d="M126 %d h270"/>`
)

// besideEngine are the systems that stand in the engine's box, in this order.
var besideEngine = []string{
	"engine_internals", "timing_drive", "lubrication", "cooling", "ignition", "intake_and_exhaust", "starting_and_charging", "ancillary_drive",
	"clutch", "air_conditioning", "electric_drive",
}

// drawings has the kinds of vehicles that are drawn.
var drawings = map[string]drawing{
	"car": {
		lines: carLines + fmt.Sprintf(ground, 138),
		places: map[string]point{
			"brakes": {182, 120}, "wheels_and_tyres": {342, 120}, "suspension": {336, 90}, "steering": {226, 92}, "driveline": {262, 119},
			"structure": {262, 91}, "body_and_equipment": {284, 54}, "fuel": {370, 94}, "workplace": {262, 160},
		},
		engine: map[string]point{"": {166, 92}, "mid_engine": {312, 92}, "rear_engine": {366, 88}},
	},
	"van": {
		lines: vanLines + fmt.Sprintf(ground, 160),
		places: map[string]point{
			"brakes": {184, 142}, "wheels_and_tyres": {344, 142}, "suspension": {344, 108}, "steering": {192, 104}, "driveline": {262, 140},
			"structure": {262, 108}, "body_and_equipment": {300, 70}, "fuel": {302, 124}, "workplace": {262, 178},
		},
		engine: map[string]point{"": {148, 108}, "rear_engine": {380, 120}, "mid_engine": {236, 124}},
	},
	"motorcycle": {
		lines: motorcycleLines + fmt.Sprintf(ground, 164),
		places: map[string]point{
			"brakes": {176, 128}, "wheels_and_tyres": {346, 128}, "suspension": {190, 94}, "steering": {206, 52}, "driveline": {306, 146},
			"structure": {312, 100}, "body_and_equipment": {172, 66}, "fuel": {240, 72}, "workplace": {262, 181},
		},
		engine: map[string]point{"": {240, 116}},
	},
}

// outlined draws the vehicle of an assessment as it stands at a gate.
func (p *Pages) outlined(a *score.Assessment, gate string, cat *catalogue.Catalogue, d *report.Dossier) (o Outline, err error) {
	say := func(key string, args ...any) string {
		s, e := p.text.say(key, args...)
		if e != nil {
			err = e
		}
		return s
	}
	systems := systemsAt(a, gate, cat, d, p.words.Clause)
	for _, state := range []string{score.Blocked, score.Unproven, unseen} {
		var of []PlacedSystem
		for _, s := range systems {
			if s.State == state {
				of = append(of, s)
			}
		}
		slices.SortStableFunc(of, func(x, y PlacedSystem) int { return cmp.Compare(x.Blocker, y.Blocker) })
		o.Marked = append(o.Marked, of...)
	}
	for i := range o.Marked {
		o.Marked[i].Number = i + 1
	}
	all := slices.Clone(o.Marked)
	for _, s := range systems {
		if s.State == fine {
			o.Fine++
			all = append(all, s)
		}
	}
	kind := factOf(cat, d, "vehicle", "kind")
	draw, ok := drawings[kind]
	if !ok {
		return o, err
	}
	var names []string
	for _, s := range o.Marked {
		names = append(names, strconv.Itoa(s.Number)+" "+s.Is+": "+say(s.State))
	}
	title := say("outline_title", say("kind_of_"+kind), strings.Join(names, "; "))
	o.Picture = draw.picture(title, say("outline_engine"), factOf(cat, d, "vehicle", "layout"), all)
	return o, err
}

// factOf is what is known of a fact that is a choice; empty: nothing.
func factOf(cat *catalogue.Catalogue, d *report.Dossier, in, id string) string {
	if f := cat.Fact(in, id); f != nil && d != nil && d.Frame.Known(f.Slot) {
		if at := int(d.Frame[f.Slot]); at >= 0 && at < len(f.Values) {
			return f.Values[at]
		}
	}
	return ""
}

// systemsAt says how each system of a vehicle stands at a gate.
func systemsAt(a *score.Assessment, gate string, cat *catalogue.Catalogue, d *report.Dossier, brief func(score.Reason) string) (all []PlacedSystem) {
	at := map[string]int{}
	of := map[string]string{} // the system of an item
	add := func(id string) *PlacedSystem {
		n, ok := at[id]
		if !ok {
			n = len(all)
			at[id], all = n, append(all, PlacedSystem{ID: id, Is: systemName(cat, id), State: fine})
		}
		return &all[n]
	}
	for _, s := range a.Condition.Systems {
		x := add(s.System)
		for _, it := range s.Items {
			of[it.Item] = s.System
			x.Items++
			if known := cat.Item(it.Item); known != nil && d != nil && d.Items[known.Index].Reported {
				x.LookedAt++
			}
		}
		if d != nil && x.LookedAt == 0 {
			x.State = unseen
		}
	}
	for _, b := range a.BlockersBy(gate) {
		id, ok := of[b.Item]
		if it := cat.Item(b.Item); !ok && it != nil {
			id = it.System.ID
		} else if !ok {
			continue // a fact of the vehicle, which sits nowhere
		}
		x, state := add(id), score.Unproven
		if b.Kind != score.Unproven {
			state = score.Blocked
		}
		switch {
		case x.State == fine || x.State == unseen || state == score.Blocked && x.State == score.Unproven:
			if x.Blocker > 0 {
				x.More++
			}
			x.State, x.Because, x.Blocker = state, brief(b.Reason), b.Rank
		default:
			x.More++
		}
	}
	return all
}

// picture puts marks on the outline. What a mark means is told by its shape and its number, never by colour alone.
func (draw drawing) picture(title, engine, layout string, systems []PlacedSystem) template.HTML {
	s := newSVG("outline", "outline", title, 400, 196)
	_, _ = s.WriteString(`<g class="body">` + draw.lines + `</g>`)
	box := map[string]point{}
	for _, id := range besideEngine {
		for _, x := range systems {
			if x.ID == id {
				n := len(box)
				box[id] = point{22 + 34*float64(n%3), 38 + 34*float64(n/3)}
			}
		}
	}
	if len(box) > 0 {
		to, ok := draw.engine[layout]
		if !ok {
			to = draw.engine[""]
		}
		height := 34*float64((len(box)+2)/3) + 8
		s.line("leader", 110, 36, to.x, to.y)
		fmt.Fprintf(s, `<circle class="leader" cx="%s" cy="%s" r="3"/>`, n1(to.x), n1(to.y))
		s.rect("box", 2, 18, 108, height)
		s.text("label", 2, 12, engine)
	}
	for _, x := range systems {
		at, ok := draw.places[x.ID]
		if !ok {
			if at, ok = box[x.ID]; !ok {
				continue // of a rule set that has systems of its own: it stands in the list
			}
		}
		s.mark(x.State, at, x.Number)
	}
	return s.end()
}

// mark draws how a system stands: a solid block with a number, a broken ring, a dotted one, or a point.
func (s *svg) mark(state string, at point, number int) {
	const r = 12.0
	switch state {
	case fine:
		fmt.Fprintf(s, `<circle class="m-fine" cx="%s" cy="%s" r="3.5"/>`, n1(at.x), n1(at.y))
		return
	case score.Blocked:
		s.rect("m-blocked", at.x-r, at.y-r, 2*r, 2*r)
	default:
		fmt.Fprintf(s, `<circle class="m-%s" cx="%s" cy="%s" r="%s"/>`, state, n1(at.x), n1(at.y), n1(r))
	}
	s.text("n-"+state, at.x, at.y+4.5, strconv.Itoa(number))
}
