package api_test

import (
	"bytes"
	"net/http"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/catalogue"
)

func TestTheCatalogue(t *testing.T) {
	t.Parallel()
	a := open(t).get("/v1/catalogue")
	a.is(t, http.StatusOK)
	a.has(t, "Cache-Control", "public, max-age=3600, must-revalidate")
	type finding struct {
		ID, Is, In, Kind, Unit string
		Values, Units          []string
		Min, Max               *float64
	}
	var body struct {
		Methods []catalogue.Method
		Facts   []finding
		Systems []struct {
			ID, Is string
			Items  []struct {
				ID, Is, Applies, Access string
				Minutes                 float64
				Finds                   []finding
			}
		}
		Access []string
		Gates  []struct{ ID, Is, Tolerance string }
		Asks   string
	}
	a.into(t, &body)
	set := builtin.FirstStart()
	cat := set.Catalogue
	if len(body.Methods) != len(cat.Methods) || len(body.Facts) != len(cat.Facts) || len(body.Systems) != len(cat.Systems) ||
		len(body.Gates) != len(set.Gates) || body.Asks != "first_start" || len(body.Access) == 0 {
		t.Errorf("answer %.500s", a.text)
	}
	items := 0
	for _, s := range body.Systems {
		for _, it := range s.Items {
			items++
			have := cat.Item(it.ID)
			if have == nil || it.Is == "" || it.Minutes != have.Minutes || it.Access != have.Access || len(it.Finds) != len(have.Finds) || (it.Applies == "") != (have.Applies == nil) {
				t.Errorf("item %+v", it)
				continue
			}
			for _, f := range it.Finds {
				want := have.Find(f.ID)
				ok := f.Is != "" && f.Kind == string(want.Kind)
				switch want.Kind {
				case catalogue.Choice:
					ok = ok && len(f.Values) > 1
				case catalogue.Quantity:
					ok = ok && f.Unit == want.Unit.Code && len(f.Units) > 0
				}
				if f.Min != nil && *f.Min != want.Min || f.Max != nil && *f.Max != want.Max {
					ok = false
				}
				if !ok {
					t.Errorf("%s: %+v", it.ID, f)
				}
			}
		}
	}
	if items != len(cat.Items) {
		t.Errorf("%d items of %d", items, len(cat.Items))
	}
}

func TestTheReportSchema(t *testing.T) {
	t.Parallel()
	w := open(t)
	a := w.get("/v1/schemas/report")
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "application/schema+json", "Cache-Control", "public, max-age=3600, must-revalidate")
	if !bytes.Equal(a.text, w.service.ReportSchema()) || a.object(t)["$schema"] == nil {
		t.Errorf("answer %.300s", a.text)
	}
}

func TestRuleSets(t *testing.T) {
	t.Parallel()
	w := open(t)
	set := builtin.FirstStart()
	a := w.get("/v1/rule_sets")
	a.is(t, http.StatusOK)
	list := a.object(t)["rule_sets"].([]any)
	one := list[0].(object)
	if len(list) != 1 || one["name"] != set.Name || one["version"] != set.Version || one["digest"] != set.Digest || one["current"] != true {
		t.Fatalf("answer %s", a.text)
	}
	a = w.get(one["link"].(string))
	a.is(t, http.StatusOK)
	a.has(t, "ETag", `"`+set.Digest+`"`, "Content-Type", "application/json")
	if !bytes.Equal(a.text, set.Canonical) {
		t.Error("it is not in its canonical form")
	}
	w.get("/v1/rule_sets/first-start/9.9.9").problem(t, http.StatusNotFound, "not-found", "first-start 9.9.9")
	w.get("/v1/rule_sets/%00/%0a").problem(t, http.StatusNotFound, "not-found")
}
