package api_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/score"
)

// hoses reports on the brake hoses of a car that is sound otherwise. How old they are is documented.
func hoses(t *testing.T, date string, observations ...string) []byte {
	t.Helper()
	var whole object
	if err := json.Unmarshal(tern(t, "tern-01"), &whole); err != nil {
		t.Fatal(err)
	}
	kept := slices.DeleteFunc(whole["observations"].([]any), func(o any) bool { return o.(object)["item"] == "brake_hoses" && o.(object)["method"] != "documented" })
	for _, text := range observations {
		var o object
		if err := json.Unmarshal([]byte(text), &o); err != nil {
			t.Fatal(err)
		}
		kept = append(kept, o)
	}
	whole["observations"], whole["inspection"].(object)["date"] = kept, date
	data, err := json.Marshal(whole)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// hosesInTheWay has where the brake hoses are in the way of a move, by the kind of the entry.
func (w *workshop) hosesInTheWay() []string {
	w.t.Helper()
	var ready struct{ Blockers []score.Blocker }
	w.get("/v1/vehicles/tern-01/readiness?gate=yard_move").into(w.t, &ready)
	var list []string
	for _, b := range ready.Blockers {
		if b.Item == "brake_hoses" {
			list = append(list, b.Kind+" "+strings.Join(b.At, " "))
			for _, c := range b.ClearBy {
				for _, p := range b.At {
					if c.Item == "brake_hoses" && !slices.Contains(c.At, p) {
						w.t.Errorf("what is in the way at %v is cleared at %v", b.At, c.At)
					}
				}
			}
		}
	}
	return list
}

// However good the others are, a burst hose stays in the way until something is done about that one.
func TestOneGoodHoseDoesNotClearItsTwin(t *testing.T) {
	t.Parallel()
	const cracked = `{"item":"brake_hoses","at":["front_left"],"method":"seen","found":{"rubber":"cracked"}}`
	good := func(where, found string) string {
		return fmt.Sprintf(`{"item":"brake_hoses",%s"method":"tested","found":%s}`, where, found)
	}
	const sound, others = `{"rubber":"sound","leak":"none"}`, `"at":["front_right","rear_left","rear_right"],`
	for name, c := range map[string]struct {
		then string
		want []string
	}{
		"the other three are sound":      {good(others, sound), []string{"defect front_left"}},
		"the other three are renewed":    {good(others, `{"renewed":"2026-05-03"}`), []string{"defect front_left"}},
		"somebody says that all are":     {good("", sound), []string{"defect front_left"}},
		"that one is renewed":            {good(`"at":["front_left"],`, `{"renewed":"2026-05-03"}`), nil},
		"all four are renewed, each one": {good(`"at":["front_left","front_right","rear_left","rear_right"],`, `{"renewed":"2026-05-03"}`), nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := open(t)
			w.posted(hoses(t, "2026-05-02", cracked, good(others, sound)))
			if got := w.hosesInTheWay(); !slices.Equal(got, []string{"defect front_left"}) {
				t.Fatalf("at first %v are in the way", got)
			}
			w.posted(fmt.Appendf(nil, `{"schema":"laidup.report/1","vehicle":{"reference":"tern-01"},"inspection":{"date":"2026-05-03"},"observations":[%s]}`, c.then))
			if got := w.hosesInTheWay(); !slices.Equal(got, c.want) {
				t.Errorf("%v are in the way, want %v", got, c.want)
			}
		})
	}
}

// Wherever an entry is shown it is said where on the vehicle.
func TestPositionsAreShownEverywhere(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.posted(hoses(t, "2026-05-02", `{"item":"brake_hoses","at":["front_left"],"method":"seen","found":{"rubber":"cracked"}}`,
		`{"item":"brake_hoses","at":["front_right","rear_left","rear_right"],"method":"seen","found":{"rubber":"sound","leak":"none"}}`))
	const words = "rake hoses (front left)"
	for _, path := range []string{
		"/vehicles/tern-01?gate=yard_move", "/vehicles/tern-01/ready?gate=yard_move", "/vehicles/tern-01/inspect?gate=yard_move",
		"/v1/assessments/" + id + "/sheet?gate=yard_move&format=html", "/v1/assessments/" + id + "/sheet?sheet=start&gate=yard_move&format=html",
		"/v1/assessments/" + id + "/sheet?sheet=purchase&format=html",
	} {
		a := w.get(path, "Accept: text/html")
		a.is(t, http.StatusOK)
		if !strings.Contains(string(a.text), words) {
			t.Errorf("%s does not say %s", path, words)
		}
	}
	for path, want := range map[string]string{
		"/v1/assessments/" + id + "/blockers?gate=yard_move&format=csv": "front_left",
		"/v1/assessments/" + id + "/register?format=csv":                "brake_hose_perished at front_left: ",
		"/v1/vehicles/tern-01/appraisal?format=csv":                     "front_left",
	} {
		rows, err := csv.NewReader(bytes.NewReader(w.get(path).text)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(rows, func(row []string) bool {
			return slices.ContainsFunc(row, func(cell string) bool { return strings.HasPrefix(cell, want) || strings.Contains(cell, "; "+want) })
		}) {
			t.Errorf("%s has no cell %s", path, want)
		}
	}
	// In the register each cause says where the alarms are.
	var whole score.Assessment
	w.get("/v1/assessments/"+id).into(t, &whole)
	for _, e := range whole.Register {
		for _, c := range e.Causes {
			if c.Fault == "brake_hose_perished" && !slices.Equal(c.At, []string{"front_left"}) {
				t.Errorf("%s: at %v", e.Hazard, c.At)
			}
		}
	}
	// What has changed says it, too.
	next := w.posted([]byte(`{"schema":"laidup.report/1","vehicle":{"reference":"tern-01"},"inspection":{"date":"2026-05-03"},
		"observations":[{"item":"brake_hoses","at":["front_left"],"method":"tested","found":{"renewed":"2026-05-03"}}]}`))
	if a := w.get("/vehicles/tern-01/changes?from="+id+"&to="+next, "Accept: text/html"); !strings.Contains(string(a.text), words) {
		t.Errorf("the changes do not say %s", words)
	}
}

// What was never there is not asked for.
func TestWhatWasNeverFittedIsNotAskedFor(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.posted([]byte(`{"schema":"laidup.report/1","vehicle":{"reference":"bare-01","built":"1968"},"inspection":{"date":"2026-05-02"},
		"observations":[{"item":"battery_isolator","method":"seen","fitted":false}]}`))
	a := w.get("/vehicles/bare-01/inspect?gate=road_test", "Accept: text/html")
	if absent := strings.Fields(dataOf(string(a.text))["absent"][0]); !slices.Contains(absent, "battery_isolator") {
		t.Errorf("left out is %v", absent)
	}
	var ready struct{ Blockers []score.Blocker }
	w.get("/v1/vehicles/bare-01/readiness?gate=road_test").into(t, &ready)
	if i := slices.IndexFunc(ready.Blockers, func(b score.Blocker) bool { return b.Item == "battery_isolator" }); i >= 0 {
		t.Errorf("%+v", ready.Blockers[i])
	}
}

// A union is told apart by references to components, not to definitions that are not there.
func TestUnionsLeadToComponents(t *testing.T) {
	t.Parallel()
	w := open(t)
	description := w.get("/v1/openapi.json").object(t)
	schemas := description["components"].(object)["schemas"].(object)
	union := schemas["ReportObservation"].(object)["discriminator"].(object)
	mapping := union["mapping"].(object)
	if union["propertyName"] != "item" || len(mapping) != len(builtin.FirstStart().Catalogue.Items) {
		t.Errorf("%d items by %v", len(mapping), union["propertyName"])
	}
	for item, to := range mapping {
		name, is := strings.CutPrefix(to.(string), "#/components/schemas/")
		if !is || schemas[name] == nil {
			t.Errorf("%s leads to %v", item, to)
		}
	}
}
