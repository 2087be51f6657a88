package site

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"laidup/api/pages"
	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/score"
)

// A list sorts, counts and draws as many vehicles at once, those with the newest reports, and shows a page of them.
// What else there is, a search finds.
const (
	lotMost = 1000
	aPage   = 50
)

// lotOrders has the orders of a list that the store has not, by name; what is not judged comes last.
var lotOrders = map[string]func(x, y pages.LotRow) int{
	"chance":    func(x, y pages.LotRow) int { return cmp.Compare(y.At.ChanceThrough, x.At.ChanceThrough) },
	"condition": func(x, y pages.LotRow) int { return cmp.Compare(y.Condition.Expected, x.Condition.Expected) },
	"known":     func(x, y pages.LotRow) int { return cmp.Compare(y.Coverage.Share, x.Coverage.Share) },
	"blockers":  func(x, y pages.LotRow) int { return cmp.Compare(y.At.Blockers, x.At.Blockers) },
}

var lotOrderNames = []string{"newest", "chance", "condition", "known", "blockers", "reference"}

// lot reads the vehicles that are asked for, in their order; more says that there are others.
func (s *Site) lot(r *wire.Request) (rows []pages.LotRow, p assess.VehiclePage, more bool, err error) {
	name := cmp.Or(r.Query.Get("sort"), lotOrderNames[0])
	if !slices.Contains(lotOrderNames, name) {
		return nil, p, false, wire.BadQuery.Says("sort is one of %s", strings.Join(lotOrderNames, ", "))
	}
	if p, err = r.VehicleFilter(); err != nil {
		return nil, p, false, err
	}
	if p.Limit = lotMost + 1; name == "reference" {
		p.By = assess.ByReference
	}
	list, err := r.Account.Vehicles(r.Context(), p)
	if err != nil {
		return nil, p, false, err
	}
	for _, v := range list[:min(len(list), lotMost)] {
		row := pages.LotRow{Vehicle: v}
		if v.Newest != nil {
			summed, err := v.Newest.Summed()
			if err != nil {
				return nil, p, false, err
			}
			row.Condition = summed.Condition
			if v.At != nil {
				row.At = summed.Gate(p.Gate)
			}
			row.Days = pages.DaysSince(v.Newest.Outcome.AsOf, s.today())
		}
		rows = append(rows, row)
	}
	if order := lotOrders[name]; order != nil {
		slices.SortStableFunc(rows, func(x, y pages.LotRow) int {
			if x.At == nil || y.At == nil {
				return cmp.Compare(unjudged(x), unjudged(y))
			}
			return order(x, y)
		})
	}
	return rows, p, len(list) > lotMost, nil
}

func unjudged(r pages.LotRow) int {
	if r.At == nil {
		return 1
	}
	return 0
}

// VehiclesPage lists vehicles.
func (s *Site) VehiclesPage(r *wire.Request) (wire.Reply, error) {
	rows, p, more, err := s.lot(r)
	if err != nil {
		return wire.Reply{}, err
	}
	page, size := 1, aPage
	for name, into := range map[string]*int{"page": &page, "limit": &size} {
		if said := r.Query.Get(name); said != "" {
			n, ok := wire.Digits(said)
			if !ok || n < 1 || n > lotMost {
				return wire.Reply{}, wire.BadQuery.Says("%s is a whole number from 1 to %d", name, lotMost)
			}
			*into = n
		}
	}
	last := max(1, (len(rows)+size-1)/size)
	page = min(page, last)
	at := func(change string, value any) string {
		q := url.Values{}
		for _, name := range []string{"gate", "search", "verdict", "sort", "limit", "page"} {
			if v := r.Query.Get(name); v != "" && name != change {
				q.Set(name, v)
			}
		}
		if change == "page" {
			q.Set("page", fmt.Sprint(value))
		} else {
			q.Del("page")
			q.Del("limit")
		}
		return "?" + q.Encode()
	}
	view := pages.VehiclesView{
		Frame: s.frame(r, s.say("vehicles"), "vehicles"), Gate: p.Gate, Search: p.Search, Verdict: p.Verdict,
		By: r.Query.Get("sort"), Verdicts: wire.Verdicts, Orders: lotOrderNames, Vehicles: rows[min(len(rows), (page-1)*size):min(len(rows), page*size)],
		Total: len(rows), More: more, Page: page, Pages: last, Table: "/vehicles.csv" + at("", nil),
	}
	if view.Gates, err = r.Account.Gates(r.Context()); err != nil {
		return wire.Reply{}, err
	}
	if page > 1 {
		view.Previous = at("page", page-1)
	}
	if page < last {
		view.Next = at("page", page+1)
	}
	if err := s.pages.Lot(&view, rows); err != nil {
		return wire.Reply{}, err
	}
	return s.page("vehicles", view)
}

// VehiclesTable is the list as a table, all pages of it.
func (s *Site) VehiclesTable(r *wire.Request) (wire.Reply, error) {
	rows, p, _, err := s.lot(r)
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.CSVReply("vehicles-"+p.Gate, wire.Table(lotColumns(p.Gate), rows)), nil
}

func lotColumns(gate string) []wire.Column[pages.LotRow] {
	of := func(name string, cell func(pages.LotRow) string) wire.Column[pages.LotRow] {
		return wire.Column[pages.LotRow]{Name: name, Cell: cell}
	}
	judged := func(name string, cell func(*assess.SummaryGate) string) wire.Column[pages.LotRow] {
		return of(name, func(r pages.LotRow) string {
			if r.At == nil {
				return ""
			}
			return cell(r.At)
		})
	}
	assessed := func(name string, cell func(pages.LotRow) string) wire.Column[pages.LotRow] {
		return of(name, func(r pages.LotRow) string {
			if r.Newest == nil {
				return ""
			}
			return cell(r)
		})
	}
	share := func(s score.Share) string { return fmt.Sprintf("%.4f", s.Float()) }
	return []wire.Column[pages.LotRow]{
		of("vehicle", func(r pages.LotRow) string { return r.Reference }),
		of("description", func(r pages.LotRow) string { return r.Description }),
		of("gate", func(pages.LotRow) string { return gate }),
		judged("state", func(g *assess.SummaryGate) string { return g.State }),
		judged("blockers", func(g *assess.SummaryGate) string { return fmt.Sprint(g.Blockers) }),
		judged("chance_through", func(g *assess.SummaryGate) string { return share(g.ChanceThrough) }),
		judged("chance_through_low", func(g *assess.SummaryGate) string { return share(g.ChanceThroughLow) }),
		judged("chance_through_high", func(g *assess.SummaryGate) string { return share(g.ChanceThroughHigh) }),
		assessed("condition", func(r pages.LotRow) string { return fmt.Sprintf("%.1f", r.Condition.Expected.Float()) }),
		assessed("condition_low", func(r pages.LotRow) string { return fmt.Sprintf("%.1f", r.Condition.Low.Float()) }),
		assessed("condition_high", func(r pages.LotRow) string { return fmt.Sprintf("%.1f", r.Condition.High.Float()) }),
		assessed("inspected_items", func(r pages.LotRow) string { return fmt.Sprint(r.Coverage.LookedAt) }),
		assessed("items", func(r pages.LotRow) string { return fmt.Sprint(r.Coverage.Applying) }),
		assessed("inspected_share", func(r pages.LotRow) string { return share(r.Coverage.Share) }),
		assessed("as_of", func(r pages.LotRow) string { return r.Newest.Outcome.AsOf }),
	}
}
