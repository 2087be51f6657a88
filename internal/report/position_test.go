package report_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"laidup/internal/report"
)

// placedReport is a report with nothing wrong on a vehicle of the catalogue placed.
func placedReport() object {
	return object{
		"schema": report.SchemaName,
		"vehicle": object{
			"reference": "corvane-dale-02", "built": "1971", "cylinders": 4, "brakes": "hydraulic", "voltage": "12",
			"figures": object{"belt_interval": object{"value": 72, "unit": "mo"}, "from": "workshop manual, 3rd edition"},
		},
		"lay_up":     object{"last_ran": "1998"},
		"inspection": object{"date": "2026-05-02"},
		"observations": list{
			object{"item": "brake_hoses", "method": "seen", "at": list{"rear_right", "front_left"}, "found": object{"perished": true}},
			object{"item": "brake_hoses", "method": "seen", "at": list{"front_right"}, "found": object{"perished": false}},
			object{"item": "brake_hoses", "method": "seen", "found": object{"leak": "none"}},
			object{"item": "spark_plugs", "method": "tested", "at": list{"cylinder_4"}, "found": object{"gap": object{"value": 0.6, "unit": "mm"}}},
			object{"item": "distributor", "method": "seen", "part": "cap", "found": object{"renewed": "2026-05-02"}},
			object{"item": "battery", "method": "seen", "fitted": false},
		},
	}
}

func placedFaults(t *testing.T, data []byte) []report.Fault {
	t.Helper()
	checker := report.NewChecker(placed())
	_, _, faults := report.Decode(data, placed())
	// The schema says nothing that was not said in better words.
	if _, _, more := checker.Decode(data); !slices.Equal(more, faults) {
		t.Errorf("with the schema the faults are %+v, without %+v", more, faults)
	}
	return faults
}

func TestPositionsPartsAndWhatWasNeverFitted(t *testing.T) {
	r, cautions, faults := report.Decode(marshal(t, placedReport()), placed())
	if len(faults) > 0 || len(cautions) > 0 {
		t.Fatalf("faults %v, cautions %v", faults, cautions)
	}
	for i, want := range []string{
		"brake_hoses [front_left rear_right] 1", "brake_hoses [front_right] 1", "brake_hoses [] 1",
		"spark_plugs [cylinder_4] 1", "distributor [] 1, cap", "battery [] 0, never fitted",
	} {
		o := r.Observations[i]
		at := []string{}
		for _, k := range o.At {
			at = append(at, o.Item.Positions[k].ID)
		}
		got := fmt.Sprintf("%s %v %d", o.Item.ID, at, len(o.Found))
		if o.Part != nil {
			got += ", " + o.Part.ID
		}
		if o.NotFitted {
			got += ", never fitted"
		}
		if got != want || o.On != r.Inspected {
			t.Errorf("observation %d is %s of %s, want %s", i, got, o.On, want)
		}
	}
	facts := map[string]string{}
	for _, v := range r.Facts {
		facts[v.Finding.ID] = string(report.Form(v))
	}
	for id, want := range map[string]string{"voltage": `"12"`, "figures.belt_interval": `{"value":6,"unit":"a"}`, "figures.from": `"workshop manual, 3rd edition"`} {
		if facts[id] != want {
			t.Errorf("%s is %s, want %s", id, facts[id], want)
		}
	}
	if r.Received != 0 {
		t.Errorf("it was received on %s", r.Received)
	}
}

func TestFaultsOfPositionsPartsAndFitting(t *testing.T) {
	const o = "/observations/0"
	observation := func(text string) string {
		return `{"schema": "laidup.report/1", "vehicle": {"reference": "x", "cylinders": 4, "brakes": "hydraulic"}, "inspection": {"date": "2026-05-02"}, "observations": [{"method": "seen", ` + text + `}]}`
	}
	for name, c := range map[string]struct {
		text string
		want []fault
	}{
		"a position there is not":    {`"item": "brake_hoses", "at": ["front"], "found": {"perished": true}`, []fault{{o + "/at/0", report.WrongValue, `"front" is not a position of brake_hoses: use front_left, front_right, rear_left, rear_right`}}},
		"a position in capitals":     {`"item": "brake_hoses", "at": ["front_left", "Rear_left"], "found": {"perished": true}`, []fault{{o + "/at/1", report.WrongValue, `"Rear_left" is not`}}},
		"a position of another item": {`"item": "fuel_pipes", "at": ["front_left"], "found": {"pitted": true}`, []fault{{o + "/at/0", report.WrongValue, "use along_sill, over_axle"}}},
		"a cylinder beyond all":      {`"item": "spark_plugs", "at": ["cylinder_25"], "found": {"blows": true}`, []fault{{o + "/at/0", report.WrongValue, "use cylinder_1 to cylinder_24"}}},
		"a cylinder by its number":   {`"item": "spark_plugs", "at": [3], "found": {"blows": true}`, []fault{{o + "/at/0", report.WrongType, "this is a number: it has to be text: a position"}}},
		"a position twice":           {`"item": "brake_hoses", "at": ["front_left", "rear_left", "front_left"], "found": {"perished": true}`, []fault{{o + "/at/2", report.Duplicate, `"front_left" stands here twice`}}},
		"no position":                {`"item": "brake_hoses", "at": [], "found": {"perished": true}`, []fault{{o + "/at", report.Missing, "no position is named: leave this out, or name"}}},
		"a position as a word":       {`"item": "brake_hoses", "at": "front_left", "found": {"perished": true}`, []fault{{o + "/at", report.WrongType, "this is text: it has to be a list of positions: front_left, front_right"}}},
		"positions null":             {`"item": "brake_hoses", "at": null, "found": {"perished": true}`, []fault{{o + "/at", report.WrongType, "null"}}},
		"at on what is there once":   {`"item": "battery", "at": ["front"], "found": {"secured": true}`, []fault{{o + "/at", report.UnknownField, "battery has no positions: leave this out"}}},
		"at of any form there":       {`"item": "battery", "at": 4, "found": {"secured": true}`, []fault{{o + "/at", report.UnknownField, "no positions"}}},
		"two positions, both wrong":  {`"item": "brake_hoses", "at": ["left", "right"], "found": {"perished": true}`, []fault{{o + "/at/0", report.WrongValue, ""}, {o + "/at/1", report.WrongValue, ""}}},
		"fitted":                     {`"item": "battery", "fitted": true`, []fault{{o + "/fitted", report.WrongValue, "goes without saying: leave it out"}}},
		"fitted, and found":          {`"item": "battery", "fitted": true, "found": {"secured": true}`, []fault{{o + "/fitted", report.WrongValue, "leave it out"}}},
		"fitted as a word":           {`"item": "battery", "fitted": "no"`, []fault{{o + "/fitted", report.WrongType, "this is text: it has to be false, or left out"}}},
		"fitted null":                {`"item": "battery", "fitted": null, "found": {"secured": true}`, []fault{{o + "/fitted", report.WrongType, "null"}}},
		"never fitted, and found":    {`"item": "battery", "found": {"secured": true}, "fitted": false`, []fault{{o + "/found", report.WrongValue, "leave found out, or fitted"}}},
		"never fitted, at and part":  {`"item": "spark_plugs", "fitted": false, "at": ["cylinder_1"], "part": "washer"`, []fault{{o + "/at", report.WrongValue, "leave at out"}, {o + "/part", report.WrongValue, "leave part out"}}},
		"a part there is not":        {`"item": "distributor", "part": "coil", "found": {"renewed": "2026"}`, []fault{{o + "/part", report.WrongValue, `"coil" is not a part of distributor: use one of cap, rotor`}}},
		"a part of what has none":    {`"item": "battery", "part": "cap", "found": {"renewed": "2026"}`, []fault{{o + "/part", report.UnknownField, "battery has no parts"}}},
		"a part as a list":           {`"item": "distributor", "part": ["cap"], "found": {"renewed": "2026"}`, []fault{{o + "/part", report.WrongType, "this is a list: it has to be text: a part of the item: cap, rotor"}}},
		"a part null":                {`"item": "distributor", "part": null, "found": {"renewed": "2026"}`, []fault{{o + "/part", report.WrongType, "null"}}},
		"a part that is not renewed": {`"item": "distributor", "part": "cap", "found": {"cracked": false}`, []fault{{o + "/found/cracked", report.WrongValue, "observation of its own"}, {o + "/found/renewed", report.Missing, "say when the distributor's cap was renewed"}}},
		"a part, renewed and judged": {`"part": "cap", "found": {"judged": "sound", "renewed": "2026"}, "item": "distributor"`, []fault{{o + "/found/judged", report.WrongValue, "renewed and nothing else"}}},
		"a part renewed on no day":   {`"item": "distributor", "part": "cap", "found": {"renewed": "2026-02-30"}`, []fault{{o + "/found/renewed", report.WrongValue, "not a date"}}},
		"a part, and nothing found":  {`"item": "distributor", "part": "cap"`, []fault{{o + "/found", report.Missing, ""}}},
		"a part, and found empty":    {`"item": "distributor", "part": "cap", "found": {}`, []fault{{o + "/found", report.Missing, ""}}},
		"a cylinder too many":        {`"item": "spark_plugs", "at": ["cylinder_7", "cylinder_4", "cylinder_5"], "found": {"blows": true}`, []fault{{o + "/at/0", report.NotFitted, "by its facts this vehicle has no cylinder_7: correct the facts or leave the position out"}, {o + "/at/2", report.NotFitted, "no cylinder_5"}}},
		"faults of what came early":  {`"part": "coil", "at": ["x"], "found": {"torn": 1}, "fitted": 1, "item": "spark_plugs", "note": 2`, []fault{{o + "/part", report.WrongValue, ""}, {o + "/at/0", report.WrongValue, ""}, {o + "/found/torn", report.UnknownField, ""}, {o + "/fitted", report.WrongType, ""}, {o + "/note", report.WrongType, ""}}},
	} {
		t.Run(name, func(t *testing.T) { compare(t, placedFaults(t, []byte(observation(c.text))), c.want...) })
	}
}

func TestFactsOfThePlacedVehicle(t *testing.T) {
	report1 := func(vehicle string) []byte {
		return []byte(`{"schema": "laidup.report/1", "vehicle": {"reference": "x", ` + vehicle + `}, "inspection": {"date": "2026-05-02"}, "observations": []}`)
	}
	for name, c := range map[string]struct {
		vehicle string
		want    []fault
	}{
		"a voltage as a number":       {`"voltage": 12`, []fault{{"/vehicle/voltage", report.WrongType, `this is a number: it has to be one of "6", "12", "24"`}}},
		"a voltage there is not":      {`"voltage": "48"`, []fault{{"/vehicle/voltage", report.WrongValue, `use one of "6", "12", "24"`}}},
		"nobody knows":                {`"voltage": "unknown", "figures": {"belt_interval": "unknown", "from": "unknown"}`, nil},
		"not said":                    {`"voltage": null, "figures": {"belt_interval": null, "from": null}`, nil},
		"no figures":                  {`"figures": null`, nil},
		"a figure there is not":       {`"figures": {"chain": 1}`, []fault{{"/vehicle/figures/chain", report.UnknownField, "begin with figures"}}},
		"a bare figure":               {`"figures": {"belt_interval": 6}`, []fault{{"/vehicle/figures/belt_interval", report.WrongType, "value, unit"}}},
		"a figure in another unit":    {`"figures": {"belt_interval": {"value": 6, "unit": "km"}}`, []fault{{"/vehicle/figures/belt_interval/unit", report.WrongUnit, "use one of a, d, mo"}}},
		"an impossible figure":        {`"figures": {"belt_interval": {"value": 6, "unit": "mo"}}`, []fault{{"/vehicle/figures/belt_interval/value", report.OutOfRange, "from 12 to 288"}}},
		"figures from nobody":         {`"figures": {"from": " "}`, []fault{{"/vehicle/figures/from", report.WrongValue, "this is empty"}}},
		"figures from a number":       {`"figures": {"from": 7}`, []fault{{"/vehicle/figures/from", report.WrongType, "text"}}},
		"figures from all too much":   {`"figures": {"from": "` + strings.Repeat("x", report.MaxText+1) + `"}`, []fault{{"/vehicle/figures/from", report.OutOfRange, "200 is the limit"}}},
		"figures from here and there": {`"figures": {"from": "a", "from": "b"}`, []fault{{"/vehicle/figures/from", report.Duplicate, "twice"}}},
	} {
		t.Run(name, func(t *testing.T) { compare(t, placedFaults(t, report1(c.vehicle)), c.want...) })
	}
	r, _, faults := report.Decode(report1(`"voltage": "unknown", "figures": {"belt_interval": "unknown", "from": "unknown"}`), placed())
	if len(faults) > 0 || len(r.Facts) != 0 {
		t.Errorf("what nobody knows is %+v (%v)", r, faults)
	}
}

// How many positions there are is asked of the vehicle's facts only where they say.
func TestPositionsAgainstTheFacts(t *testing.T) {
	for cylinders, want := range map[any]int{1: 1, 3: 3, 24: 24, nil: 24, "unknown": 24} {
		for n := 1; n <= 24; n++ {
			o := placedReport()
			o["vehicle"].(object)["cylinders"] = cylinders
			o["observations"] = list{object{"item": "spark_plugs", "method": "seen", "at": list{fmt.Sprintf("cylinder_%d", n)}, "found": object{"blows": true}}}
			_, _, faults := report.Decode(marshal(t, o), placed())
			if ok := len(faults) == 0; ok != (n <= want) {
				t.Errorf("cylinder %d of %v: %v", n, cylinders, faults)
			}
		}
	}
}

// Where the facts say that the vehicle has no such item, somebody may say so as well, and nothing else.
func TestWhatTheFactsSayIsNotThereMayBeSaidNotToBeFitted(t *testing.T) {
	o := placedReport()
	o["vehicle"].(object)["brakes"] = "cable"
	o["observations"] = list{object{"item": "brake_hoses", "method": "told", "fitted": false}}
	compare(t, placedFaults(t, marshal(t, o)))
	o["observations"] = list{object{"item": "brake_hoses", "method": "told", "at": list{"front_left"}, "found": object{"perished": true}}}
	compare(t, placedFaults(t, marshal(t, o)), fault{"/observations/0/item", report.NotFitted, "no brake hoses"})
}

func TestDuplicateMembersOfAnObservation(t *testing.T) {
	for _, member := range []string{`"at": ["front_left"]`, `"fitted": false`, `"part": "cap"`} {
		text := `{"schema": "laidup.report/1", "vehicle": {"reference": "x"}, "inspection": {"date": "2026-05-02"}, "observations": [{"item": "battery", "method": "seen", ` + member + ", " + member + `}]}`
		_, _, faults := report.Decode([]byte(text), placed())
		if !slices.ContainsFunc(faults, func(f report.Fault) bool { return f.Code == report.Duplicate }) {
			t.Errorf("%s twice: %v", member, faults)
		}
	}
}

// Too many positions are refused in time that does not grow with what came before.
func TestAListOfPositionsWithoutEnd(t *testing.T) {
	o := placedReport()
	at := make(list, 200_000)
	for i := range at {
		at[i] = "front_left"
	}
	o["observations"].(list)[0].(object)["at"] = at
	_, _, faults := report.Decode(marshal(t, o), placed())
	if len(faults) != report.MaxFaults+1 {
		t.Errorf("there are %d faults", len(faults))
	}
}

// A generator of clients makes of an observation a union over the items.
func TestTheSchemaOfAnObservationIsAUnionOverTheItems(t *testing.T) {
	var schema struct {
		Defs map[string]object `json:"$defs"`
	}
	if err := json.Unmarshal(report.Schema(placed()), &schema); err != nil {
		t.Fatal(err)
	}
	union := schema.Defs["observation"]
	mapping := union["discriminator"].(object)["mapping"].(object)
	if union["discriminator"].(object)["propertyName"] != "item" || len(union["oneOf"].(list)) != len(placed().Items) || len(mapping) != len(placed().Items) {
		t.Fatalf("the union is %v", union)
	}
	for i, it := range placed().Items {
		ref := "#/$defs/Observation_" + it.ID
		if got := union["oneOf"].(list)[i].(object)["$ref"]; got != ref || mapping[it.ID] != ref {
			t.Errorf("%s is %v, and by its name %v", it.ID, got, mapping[it.ID])
		}
		o := schema.Defs["Observation_"+it.ID]
		properties := o["properties"].(object)
		if o["additionalProperties"] != false || properties["item"].(object)["const"] != it.ID || properties["found"].(object)["$ref"] != "#/$defs/found_on_"+it.ID {
			t.Errorf("an observation on %s is %v", it.ID, o)
		}
		if (properties["at"] != nil) != (len(it.Positions) > 0) || (properties["part"] != nil) != (len(it.Parts) > 0) {
			t.Errorf("an observation on %s is %v", it.ID, o)
		}
	}
	hoses := schema.Defs["Observation_brake_hoses"]["properties"].(object)["at"].(object)["items"].(object)["enum"]
	caps := schema.Defs["Observation_distributor"]["properties"].(object)["part"].(object)["enum"]
	if fmt.Sprint(hoses) != "[front_left front_right rear_left rear_right]" || fmt.Sprint(caps) != "[cap rotor]" {
		t.Errorf("hoses are at %v, parts are %v", hoses, caps)
	}
}
