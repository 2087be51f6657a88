package catalogue_test

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"
	"testing"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/quantity"
	"laidup/schema"

	"go.yaml.in/yaml/v3"
)

func number(v float64) *float64 { return &v }

// valid is a catalogue with nothing wrong. Each call makes a new one, to be spoilt.
func valid() *catalogue.Document {
	return &catalogue.Document{
		Methods: []catalogue.Method{
			{ID: "seen", Is: "looked at", Alarms: 0.9, Reassures: 0.86, AtMost: 20, Source: map[string]any{"kind": "judgement"}},
			{ID: "told", Is: "said", Alarms: 0.35, Reassures: 0.3, AtMost: 7},
		},
		Positions: map[string]catalogue.PositionList{
			"corners": {IDs: []string{"front_left", "front_right", "rear_left", "rear_right"}},
			"ends":    {IDs: []string{"front", "rear"}},
			"pots":    {Count: "cylinders", Is: "cylinder"},
		},
		Facts: []catalogue.FindingForm{
			{ID: "air_conditioning.fitted", Kind: catalogue.Flag, In: "vehicle"},
			{ID: "built", Kind: catalogue.Date, In: "vehicle"},
			{ID: "valve_drive", Kind: catalogue.Choice, Values: []string{"belt", "chain"}, Worse: "neither", In: "vehicle"},
			{ID: "cylinders", Kind: catalogue.Count, Min: number(1), Max: number(24), In: "vehicle"},
			{ID: "odometer", Kind: catalogue.Quantity, Unit: "km", Min: number(0), Worse: "high", In: "vehicle"},
			{ID: "last_ran", Kind: catalogue.Date, In: "lay_up"},
		},
		Systems: []catalogue.SystemForm{
			{ID: "timing_drive", Is: "timing drive", Items: []catalogue.ItemForm{
				{ID: "timing_belt", Applies: `valve_drive == "belt"`, Minutes: 25, Access: "covers", Finds: []catalogue.FindingForm{
					{ID: "fraying", Kind: catalogue.Flag},
					{ID: "noise", Kind: catalogue.Choice, Values: []string{"silent", "slight", "rough"}},
				}},
			}},
			{ID: "engine", Is: "engine", Items: []catalogue.ItemForm{
				{ID: "compression", Minutes: 40, Access: "none", Finds: []catalogue.FindingForm{
					{ID: "lowest", Kind: catalogue.Quantity, Unit: "kPa", Worse: "low", Min: number(0), Max: number(10000)},
					{ID: "highest", Kind: catalogue.Quantity, Unit: "kPa", Worse: "neither", Min: number(0), Max: number(10000)},
					{ID: "cylinder", Kind: catalogue.Count, Worse: "high", Max: number(24)},
					{ID: "record", Kind: catalogue.Text},
					{ID: "tested_on", Kind: catalogue.Date},
					{ID: "aligned", Kind: catalogue.Flag, Worse: "false"},
				}, Must: []catalogue.Must{{Hold: "found.lowest <= found.highest", Else: "swap them"}}, Positions: catalogue.PositionsForm{List: "pots"}},
			}},
			{ID: "brakes", Items: []catalogue.ItemForm{
				{ID: "hoses", Access: "wheels", Positions: catalogue.PositionsForm{List: "corners"}, HalfLife: number(2),
					NeededFrom: &catalogue.NeededFromForm{Gate: "yard_move", When: `cylinders > 1`},
					Methods:    map[string]catalogue.FiguresForm{"seen": {Reassures: number(0.65)}},
					Parts:      map[string][]string{"outer": {"perished", "chafed"}, "banjo": {"weeps"}},
					Finds: []catalogue.FindingForm{
						{ID: "perished", Kind: catalogue.Flag, Methods: map[string]catalogue.FiguresForm{"seen": {Alarms: number(0.95)}, "told": {AtMost: number(3)}}},
						{ID: "chafed", Kind: catalogue.Flag},
						{ID: "weeps", Kind: catalogue.Flag},
					}},
				{ID: "runs", Access: "underside", Positions: catalogue.PositionsForm{IDs: []string{"over_axle", "front", "sill"}}},
			}},
		},
	}
}

func TestFaultsOfADocument(t *testing.T) {
	const belt, compression, hoses, runs = "/systems/0/items/0", "/systems/1/items/0", "/systems/2/items/0", "/systems/2/items/1"
	for name, c := range map[string]struct {
		spoil         func(*catalogue.Document)
		pointer, text string
	}{
		"no method":                {func(d *catalogue.Document) { d.Methods = nil }, "/methods", "there has to be a method"},
		"two methods of one name":  {func(d *catalogue.Document) { d.Methods[1].ID = "seen" }, "/methods/1/id", `"seen" is there already`},
		"a method without a name":  {func(d *catalogue.Document) { d.Methods[0].ID = "" }, "/methods/0/id", "is not an id"},
		"alarms worth nothing":     {func(d *catalogue.Document) { d.Methods[0].Alarms = 0 }, "/methods/0/alarms", "above 0 and at most 1"},
		"alarms beyond doubt":      {func(d *catalogue.Document) { d.Methods[0].Alarms = 1.01 }, "/methods/0/alarms", "above 0 and at most 1"},
		"a method worth NaN":       {func(d *catalogue.Document) { d.Methods[0].Reassures = math.NaN() }, "/methods/0/reassures", "above 0"},
		"a method that misleads":   {func(d *catalogue.Document) { d.Methods[1].Reassures = -0.1 }, "/methods/1/reassures", "above 0"},
		"alarms that count 0 dB":   {func(d *catalogue.Document) { d.Methods[1].AtMost = 0 }, "/methods/1/at_most", "decibans above 0"},
		"alarms without a limit":   {func(d *catalogue.Document) { d.Methods[1].AtMost = math.Inf(1) }, "/methods/1/at_most", "decibans above 0"},
		"a fact in capitals":       {func(d *catalogue.Document) { d.Facts[2].ID = "ValveDrive" }, "/facts/2/id", "is not an id"},
		"a fact two groups deep":   {func(d *catalogue.Document) { d.Facts[0].ID = "a.b.c" }, "/facts/0/id", "is not an id"},
		"two facts of one name":    {func(d *catalogue.Document) { d.Facts[3].ID = "valve_drive" }, "/facts/3/id", "is there already"},
		"the same in another part": {func(d *catalogue.Document) { d.Facts[3].ID, d.Facts[3].In = "valve_drive", "lay_up" }, "/facts/3/id", "is there already"},
		"a fact called age":        {func(d *catalogue.Document) { d.Facts[3].ID = "age" }, "/facts/3/id", "is there already"},
		"a fact called as_of":      {func(d *catalogue.Document) { d.Facts[3].ID = "as_of" }, "/facts/3/id", "is there already"},
		"a fact under found":       {func(d *catalogue.Document) { d.Facts[3].ID = "found.it" }, "/facts/3/id", "is there already"},
		"a fact called reference":  {func(d *catalogue.Document) { d.Facts[3].ID = "reference" }, "/facts/3/id", "every vehicle has its reference"},
		"a group called vin":       {func(d *catalogue.Document) { d.Facts[3].ID = "vin.country" }, "/facts/3/id", "every vehicle has its vin"},
		"a fact that is a group":   {func(d *catalogue.Document) { d.Facts[3].ID = "air_conditioning" }, "/facts/3/id", "as the name of a group"},
		"a group that is a fact":   {func(d *catalogue.Document) { d.Facts[3].ID = "built.in" }, "/facts/3/id", "not as the name of a group"},
		"a fact called true":       {func(d *catalogue.Document) { d.Facts[3].ID = "true" }, "/facts/3/id", "a word of the language"},
		"a group called package":   {func(d *catalogue.Document) { d.Facts[3].ID = "package.size" }, "/facts/3/id", "a word of the language"},
		"a fact nowhere":           {func(d *catalogue.Document) { d.Facts[2].In = "" }, "/facts/2/in", `in "vehicle" or in "lay_up"`},
		"a fact in free text": {func(d *catalogue.Document) {
			d.Facts[2].Kind, d.Facts[2].Values, d.Facts[2].Worse = catalogue.Text, nil, ""
		}, "/facts/2/kind", "not free text"},
		"text in another group": {func(d *catalogue.Document) {
			d.Facts[2] = catalogue.FindingForm{ID: "figure.from", Kind: catalogue.Text, In: "vehicle"}
		}, "/facts/2/kind", "not free text"},
		"a fact by a method": {func(d *catalogue.Document) {
			d.Facts[2].Methods = map[string]catalogue.FiguresForm{"seen": {Alarms: number(1)}}
		}, "/facts/2/methods", "not obtained by a method"},
		"unknown as a fact's value": {func(d *catalogue.Document) { d.Facts[2].Values[0] = "unknown" }, "/facts/2/values", "goes without saying"},
		"no date of building":       {func(d *catalogue.Document) { d.Facts = slices.Delete(d.Facts, 1, 2) }, "/facts", "the date vehicle.built is missing"},
		"built is no date":          {func(d *catalogue.Document) { d.Facts[1].Kind = catalogue.Count }, "/facts", "the date vehicle.built is missing"},
		"no date of laying up":      {func(d *catalogue.Document) { d.Facts = d.Facts[:5] }, "/facts", "the date lay_up.last_ran is missing"},
		"last ran of the vehicle":   {func(d *catalogue.Document) { d.Facts[5].In = "vehicle" }, "/facts", "the date lay_up.last_ran is missing"},
		"no system":                 {func(d *catalogue.Document) { d.Systems = nil }, "/systems", "nothing to inspect"},
		"a system without items":    {func(d *catalogue.Document) { d.Systems[0].Items = nil }, "/systems/0/items", "at least one item"},
		"two systems of one name":   {func(d *catalogue.Document) { d.Systems[1].ID = "timing_drive" }, "/systems/1/id", "is there already"},
		"an item in two systems":    {func(d *catalogue.Document) { d.Systems[1].Items[0].ID = "timing_belt" }, compression + "/id", "is there already"},
		"an item with a dash":       {func(d *catalogue.Document) { d.Systems[0].Items[0].ID = "timing-belt" }, belt + "/id", "is not an id"},
		"an item called in":         {func(d *catalogue.Document) { d.Systems[0].Items[0].ID = "in" }, belt + "/id", "a word of the language"},
		"no access":                 {func(d *catalogue.Document) { d.Systems[0].Items[0].Access = "" }, belt + "/access", "use one of none, covers"},
		"an unheard-of access":      {func(d *catalogue.Document) { d.Systems[0].Items[0].Access = "roof" }, belt + "/access", `"roof" is not an access`},
		"negative minutes":          {func(d *catalogue.Document) { d.Systems[0].Items[0].Minutes = -1 }, belt + "/minutes", "0 to 10000"},
		"minutes of a week":         {func(d *catalogue.Document) { d.Systems[0].Items[0].Minutes = 10080 }, belt + "/minutes", "0 to 10000"},
		"applies to a finding":      {func(d *catalogue.Document) { d.Systems[0].Items[0].Applies = "found.fraying" }, belt + "/applies", "not declared"},
		"applies to another item":   {func(d *catalogue.Document) { d.Systems[0].Items[0].Applies = "other.compression.aligned" }, belt + "/applies", "not declared"},
		"applies is no condition":   {func(d *catalogue.Document) { d.Systems[0].Items[0].Applies = "cylinders + 1" }, belt + "/applies", "gives a number"},
		"must is no condition":      {func(d *catalogue.Document) { d.Systems[1].Items[0].Must[0].Hold = "found.lowest" }, compression + "/must/0/hold", "gives a number"},
		"must reads another item":   {func(d *catalogue.Document) { d.Systems[1].Items[0].Must[0].Hold = "other.timing_belt.fraying" }, compression + "/must/0/hold", "not a finding of this item"},
		"must reads a fact":         {func(d *catalogue.Document) { d.Systems[1].Items[0].Must[0].Hold = "cylinders > 1" }, compression + "/must/0/hold", "not a finding of this item"},
		"two findings of one name":  {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[1].ID = "fraying" }, belt + "/finds/1/id", "is there already"},
		"a finding that all have":   {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[1].ID = "renewed" }, belt + "/finds/1/id", "is there already"},
		"a finding with a dot":      {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[0].ID = "a.b" }, belt + "/finds/0/id", "is not an id"},
		"a week code as a fact": {func(d *catalogue.Document) {
			d.Facts[2].Kind, d.Facts[2].Values, d.Facts[2].Worse = catalogue.WeekCode, nil, ""
		}, "/facts/2/kind", "found on an item"},
		"two week codes": {func(d *catalogue.Document) {
			finds := &d.Systems[0].Items[0].Finds
			*finds = append(*finds, catalogue.FindingForm{ID: "week_of_left", Kind: catalogue.WeekCode}, catalogue.FindingForm{ID: "week_of_right", Kind: catalogue.WeekCode})
		}, belt + "/finds/3/kind", "a week code already"},
		"a kind there is not":         {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[0].Kind = "bool" }, belt + "/finds/0/kind", "use flag, choice"},
		"a choice of one":             {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[1].Values = []string{"silent"} }, belt + "/finds/1/values", "at least two values"},
		"a choice of nothing":         {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[1].Values = nil }, belt + "/finds/1/values", "a choice, and nothing else, has values"},
		"a choice with a word twice":  {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[1].Values[2] = "silent" }, belt + "/finds/1/values/2", "is empty or there already"},
		"a choice with an empty word": {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[1].Values[1] = "" }, belt + "/finds/1/values/1", "is empty"},
		"a flag with values":          {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[0].Values = []string{"a", "b"} }, belt + "/finds/0/values", "and nothing else, has values"},
		"a choice that gets high":     {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[1].Worse = "high" }, belt + "/finds/1/worse", "not how a choice gets worse"},
		"a flag that gets high":       {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[0].Worse = "high" }, belt + "/finds/0/worse", "not how a flag"},
		"text that gets worse":        {func(d *catalogue.Document) { d.Systems[1].Items[0].Finds[3].Worse = "neither" }, compression + "/finds/3/worse", "not how a text"},
		"a quantity without a unit":   {func(d *catalogue.Document) { d.Systems[1].Items[0].Finds[0].Unit = "" }, compression + "/finds/0/unit", "not the UCUM code"},
		"a short form as the unit":    {func(d *catalogue.Document) { d.Systems[1].Items[0].Finds[0].Unit = "psi" }, compression + "/finds/0/unit", "not the UCUM code"},
		"a count with a unit":         {func(d *catalogue.Document) { d.Systems[1].Items[0].Finds[2].Unit = "kPa" }, compression + "/finds/2/unit", "and nothing else, has a unit"},
		"bounds the wrong way round":  {func(d *catalogue.Document) { d.Systems[1].Items[0].Finds[0].Max = number(-1) }, compression + "/finds/0/min", "not below the greatest"},
		"bounds with nothing between": {func(d *catalogue.Document) { d.Systems[1].Items[0].Finds[0].Max = number(0) }, compression + "/finds/0/min", "not below the greatest"},
		"a flag with bounds":          {func(d *catalogue.Document) { d.Systems[0].Items[0].Finds[0].Max = number(1) }, belt + "/finds/0/min", "only a quantity or a count"},
		"a list with a bad name":      {func(d *catalogue.Document) { d.Positions["Corners/x"] = d.Positions["corners"] }, "/positions/Corners~1x", "is not an id"},
		"a position with a bad name":  {func(d *catalogue.Document) { d.Positions["ends"].IDs[1] = "rear end" }, "/positions/ends/1", "is not an id"},
		"a position twice":            {func(d *catalogue.Document) { d.Positions["ends"].IDs[1] = "front" }, "/positions/ends/1", `"front" is there already`},
		"one position":                {func(d *catalogue.Document) { d.Positions["ends"] = catalogue.PositionList{IDs: []string{"front"}} }, "/positions/ends", "at least two"},
		"a list of nothing":           {func(d *catalogue.Document) { d.Positions["ends"] = catalogue.PositionList{} }, "/positions/ends", "at least two"},
		"counted by no fact": {func(d *catalogue.Document) {
			d.Positions["pots"] = catalogue.PositionList{Count: "wheels", Is: "wheel"}
		}, "/positions/pots/count", `"wheels" is not a fact`},
		"counted by a date":       {func(d *catalogue.Document) { d.Positions["pots"] = catalogue.PositionList{Count: "built", Is: "wheel"} }, "/positions/pots/count", "that is a count"},
		"counted to nothing":      {func(d *catalogue.Document) { d.Facts[3].Min = nil }, "/positions/pots/count", "a min of at least 1"},
		"counted without end":     {func(d *catalogue.Document) { d.Facts[3].Max = nil }, "/positions/pots/count", "a max of at most 24"},
		"counted too far":         {func(d *catalogue.Document) { d.Facts[3].Max = number(25) }, "/positions/pots/count", "a max of at most 24"},
		"counted without a word":  {func(d *catalogue.Document) { d.Positions["pots"] = catalogue.PositionList{Count: "cylinders"} }, "/positions/pots/is", "is not an id"},
		"positions there are not": {func(d *catalogue.Document) { d.Systems[2].Items[0].Positions.List = "wheels" }, hoses + "/positions", "use one of corners, ends, pots"},
		"positions that are none": {func(d *catalogue.Document) { d.Systems[2].Items[1].Positions.IDs = []string{} }, runs + "/positions", "at least two"},
		"a run in capitals":       {func(d *catalogue.Document) { d.Systems[2].Items[1].Positions.IDs[2] = "Sill" }, runs + "/positions/2", "is not an id"},
		"a run twice":             {func(d *catalogue.Document) { d.Systems[2].Items[1].Positions.IDs[2] = "front" }, runs + "/positions/2", "is there already"},
		"more positions than counted": {func(d *catalogue.Document) {
			for i := range catalogue.MaxPositions {
				ids := &d.Systems[2].Items[1].Positions.IDs
				*ids = append(*ids, fmt.Sprintf("more_%d", i))
			}
		}, runs + "/positions", "there are 63 positions: 60 is the limit"},
		"needed from nowhere":     {func(d *catalogue.Document) { d.Systems[2].Items[0].NeededFrom.Gate = "" }, hoses + "/needed_from/gate", "name the gate"},
		"needed when it is found": {func(d *catalogue.Document) { d.Systems[2].Items[0].NeededFrom.When = "found.weeps" }, hoses + "/needed_from/when", "not declared"},
		"a half-life of nothing":  {func(d *catalogue.Document) { d.Systems[2].Items[0].HalfLife = number(0) }, hoses + "/half_life", "years above 0"},
		"a half-life without end": {func(d *catalogue.Document) { d.Systems[2].Items[0].HalfLife = number(math.Inf(1)) }, hoses + "/half_life", "years above 0"},
		"figures of no method": {func(d *catalogue.Document) {
			d.Systems[2].Items[0].Methods["dreamt/of"] = catalogue.FiguresForm{Alarms: number(0.1)}
		}, hoses + "/methods/dreamt~1of", "use one of seen, told"},
		"figures that say nothing": {func(d *catalogue.Document) {
			d.Systems[2].Items[0].Methods["told"] = catalogue.FiguresForm{}
		}, hoses + "/methods/told", "nothing differs here"},
		"an item's alarms beyond doubt": {func(d *catalogue.Document) {
			d.Systems[2].Items[0].Methods["told"] = catalogue.FiguresForm{Alarms: number(2)}
		}, hoses + "/methods/told/alarms", "at most 1"},
		"a finding worth nothing": {func(d *catalogue.Document) {
			d.Systems[2].Items[0].Finds[0].Methods["told"] = catalogue.FiguresForm{Reassures: number(0)}
		}, hoses + "/finds/0/methods/told/reassures", "above 0"},
		"a finding that counts 0 dB": {func(d *catalogue.Document) {
			d.Systems[2].Items[0].Finds[0].Methods["told"] = catalogue.FiguresForm{AtMost: number(0)}
		}, hoses + "/finds/0/methods/told/at_most", "decibans above 0"},
		"a part in capitals":      {func(d *catalogue.Document) { d.Systems[2].Items[0].Parts["Cap"] = []string{"weeps"} }, hoses + "/parts/Cap", "is not an id"},
		"a part without findings": {func(d *catalogue.Document) { d.Systems[2].Items[0].Parts["banjo"] = nil }, hoses + "/parts/banjo", "name the findings"},
		"a part of another item":  {func(d *catalogue.Document) { d.Systems[2].Items[0].Parts["banjo"][0] = "fraying" }, hoses + "/parts/banjo/0", "not a finding of this item's own"},
		"a part that is judged":   {func(d *catalogue.Document) { d.Systems[2].Items[0].Parts["banjo"][0] = "judged" }, hoses + "/parts/banjo/0", "not a finding of this item's own"},
		"a part's finding twice":  {func(d *catalogue.Document) { d.Systems[2].Items[0].Parts["outer"][1] = "perished" }, hoses + "/parts/outer/1", "is there already"},
		"more findings than counted": {func(d *catalogue.Document) {
			for i := range catalogue.MaxFinds {
				d.Systems[0].Items[0].Finds = append(d.Systems[0].Items[0].Finds, catalogue.FindingForm{ID: fmt.Sprintf("more_%d", i), Kind: catalogue.Flag})
			}
		}, belt + "/finds", "there are 66 findings: 60 is the limit"},
		"more facts than counted": {func(d *catalogue.Document) {
			for i := range catalogue.MaxFacts {
				d.Facts = append(d.Facts, catalogue.FindingForm{ID: fmt.Sprintf("more_%d", i), Kind: catalogue.Flag, In: "vehicle"})
			}
		}, "/facts", "there are 66 facts: 60 is the limit"},
	} {
		t.Run(name, func(t *testing.T) {
			d := valid()
			c.spoil(d)
			cat, faults := catalogue.New(*d)
			if cat != nil {
				t.Fatal("there is a catalogue")
			}
			if !slices.ContainsFunc(faults, func(f catalogue.Fault) bool { return f.Pointer == c.pointer && strings.Contains(f.Text, c.text) }) {
				t.Errorf("faults are %q, want %s: %s", faults, c.pointer, c.text)
			}
		})
	}
}

func TestAllFaultsAreToldAtOnce(t *testing.T) {
	d := valid()
	d.Methods[0].Alarms, d.Methods[0].AtMost = 2, -1
	d.Positions["ends"].IDs[0] = "Front"
	d.Facts[2].In = "boot"
	d.Systems[1].Items[0].Access = "roof"
	d.Systems[2].Items[0].Parts["outer"] = nil
	d.Systems[2].Items[0].Methods["smelt"] = catalogue.FiguresForm{}
	if _, faults := catalogue.New(*d); len(faults) != 7 {
		t.Errorf("faults are %q", faults)
	}
	d = valid()
	d.Systems[0].Items[0].Applies = "wheels"
	d.Systems[1].Items[0].Must[0].Hold = "doors"
	d.Systems[2].Items[0].NeededFrom.When = "wheels"
	if _, faults := catalogue.New(*d); len(faults) != 3 {
		t.Errorf("faults of conditions are %q", faults)
	}
}

func mustNew(t testing.TB, d *catalogue.Document) *catalogue.Catalogue {
	t.Helper()
	cat, faults := catalogue.New(*d)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return cat
}

func TestWhatACatalogueHas(t *testing.T) {
	cat := mustNew(t, valid())
	belt := cat.Item("timing_belt")
	if belt == nil || belt.System.ID != "timing_drive" || belt.Index != 0 || belt.Is != "timing belt" || cat.ItemBytes([]byte("timing_belt")) != belt || cat.Item("chain") != nil {
		t.Fatalf("the belt is %+v", belt)
	}
	for _, id := range []string{"judged", "age", "renewed", "removed"} {
		if f := belt.Find(id); f == nil || !f.Common() || f.Item != belt {
			t.Errorf("%s of the belt is %+v", id, f)
		}
	}
	if belt.Age != belt.Find("age") || belt.Renewed != belt.Find("renewed") || belt.Removed != belt.Find("removed") {
		t.Error("what every item accepts is not at hand")
	}
	if f := belt.FindBytes([]byte("fraying")); f == nil || f.Common() || f.Worse != catalogue.Higher {
		t.Errorf("fraying is %+v", f)
	}
	compression := cat.Item("compression")
	for id, want := range map[string]catalogue.Worse{"lowest": catalogue.Lower, "highest": catalogue.Neither, "aligned": catalogue.Lower, "cylinder": catalogue.Higher, "removed": catalogue.Neither, "age": catalogue.Higher, "judged": catalogue.Higher} {
		if f := compression.Find(id); f.Worse != want {
			t.Errorf("%s gets worse %d, want %d", id, f.Worse, want)
		}
	}
	if f := cat.Fact("vehicle", "air_conditioning.fitted"); f == nil || f.Item != nil || f.Common() {
		t.Errorf("the fact is %+v", f)
	}
	if cat.Fact("lay_up", "built") != nil {
		t.Error("built is a fact of the lay-up")
	}
	if cat.Method([]byte("told")) != 1 || cat.Method([]byte("dreamt")) != -1 {
		t.Error("methods are not found")
	}
	if f := compression.Find("cylinder"); f.Min != 0 || f.Max != 24 {
		t.Errorf("a count is from %v to %v", f.Min, f.Max)
	}
}

func TestTheSlotsThatAgesAreCountedFrom(t *testing.T) {
	cat := mustNew(t, valid())
	if cat.Built != cat.Fact("vehicle", "built").Slot || cat.LastRan != cat.Fact("lay_up", "last_ran").Slot || cat.Odometer != cat.Fact("vehicle", "odometer").Slot {
		t.Errorf("built at %d, last ran at %d, odometer at %d", cat.Built, cat.LastRan, cat.Odometer)
	}
	for name, spoil := range map[string]func(*catalogue.FindingForm){
		"no odometer":            func(f *catalogue.FindingForm) { f.ID = "hours" },
		"an odometer in no unit": func(f *catalogue.FindingForm) { f.Kind, f.Unit = catalogue.Count, "" },
		"an odometer of a shed":  func(f *catalogue.FindingForm) { f.In = "lay_up" },
	} {
		d := valid()
		spoil(&d.Facts[4])
		if cat := mustNew(t, d); cat.Odometer != -1 {
			t.Errorf("%s: it is at %d", name, cat.Odometer)
		}
	}
}

// Whose the maker's figures are is text, and a condition can ask only whether it is known.
func TestTheMakersFigures(t *testing.T) {
	d := valid()
	d.Facts = append(d.Facts, catalogue.FindingForm{ID: "figures.from", Kind: catalogue.Text, In: "vehicle"},
		catalogue.FindingForm{ID: "figures.belt_interval", Kind: catalogue.Quantity, Unit: "a", Worse: "neither", Min: number(0), In: "vehicle"})
	d.Systems[1].Items[0].Applies = `figures.from != "" && first_known(figures.belt_interval, 6) > 5`
	mustNew(t, d)
	d.Systems[1].Items[0].Applies = `figures.from == "hearsay"`
	if _, faults := catalogue.New(*d); len(faults) != 1 || !strings.Contains(faults[0].Text, "free text") {
		t.Errorf("faults are %q", faults)
	}
}

func TestPositionsOfItems(t *testing.T) {
	cat := mustNew(t, valid())
	ids := func(positions []*catalogue.Position) string {
		var s []string
		for _, p := range positions {
			s = append(s, p.ID)
		}
		return strings.Join(s, " ")
	}
	const cylinders = "cylinder_1 cylinder_2 cylinder_3 cylinder_4"
	belt, compression, hoses, runs := cat.Item("timing_belt"), cat.Item("compression"), cat.Item("hoses"), cat.Item("runs")
	if belt.Positions != nil || belt.PositionsOf != nil {
		t.Errorf("the belt has positions %s", ids(belt.Positions))
	}
	if got := ids(hoses.Positions); got != "front_left front_right rear_left rear_right" || hoses.PositionsOf != nil {
		t.Errorf("the hoses are at %s", got)
	}
	if got := ids(runs.Positions); got != "over_axle front sill" {
		t.Errorf("the runs are %s", got)
	}
	if got := ids(compression.Positions); !strings.HasPrefix(got, cylinders+" ") || len(compression.Positions) != 24 || compression.PositionsOf != cat.Fact("vehicle", "cylinders") {
		t.Errorf("compression is measured at %s of %v", got, compression.PositionsOf)
	}
	if len(cat.Positions) != 24+4+3 || cat.Position("rear") != nil {
		t.Errorf("positions in use are %s", ids(cat.Positions))
	}
	for i, p := range cat.Positions {
		if p.Index != i || cat.Position(p.ID) != p {
			t.Errorf("%s is position %d, want %d", p.ID, p.Index, i)
		}
	}
	if hoses.PositionBytes([]byte("rear_left")) != 2 || hoses.PositionBytes([]byte("sill")) != -1 || belt.PositionBytes([]byte("front")) != -1 {
		t.Error("positions are not found")
	}

	f := make(condition.Frame, cat.Size)
	for _, n := range []float64{1, 4, 24} {
		f[compression.PositionsOf.Slot] = n
		if on, known := compression.PositionsOn(f); len(on) != int(n) || !known || n == 4 && ids(on) != cylinders {
			t.Errorf("%v cylinders: %s (known: %v)", n, ids(on), known)
		}
	}
	f[compression.PositionsOf.Slot] = condition.Unset
	if on, known := compression.PositionsOn(f); len(on) != 24 || known {
		t.Errorf("nobody knows how many: %s (known: %v)", ids(on), known)
	}
	if on, known := hoses.PositionsOn(f); len(on) != 4 || !known {
		t.Errorf("hoses at %s (known: %v)", ids(on), known)
	}

	// A list may be shorter where the fact says that there are never more.
	d := valid()
	d.Facts[3].Max = number(12)
	if n := len(mustNew(t, d).Item("compression").Positions); n != 12 {
		t.Errorf("%d positions of at most 12 cylinders", n)
	}
}

// Items that have a position of one name share it.
func TestAPositionIsOneOverTheWholeCatalogue(t *testing.T) {
	d := valid()
	d.Systems[0].Items[0].Positions.List = "ends"
	cat := mustNew(t, d)
	if a, b := cat.Item("timing_belt").Positions[0], cat.Item("runs").Positions[1]; a != b || a.ID != "front" || a.Index != 0 {
		t.Errorf("the positions are %+v and %+v", a, b)
	}
}

func TestFiguresOfAFinding(t *testing.T) {
	cat := mustNew(t, valid())
	seen, told := cat.Method([]byte("seen")), cat.Method([]byte("told"))
	for name, c := range map[string]struct {
		item, finding string
		method        int
		want          catalogue.Figures
	}{
		"the method's":                  {"timing_belt", "fraying", seen, catalogue.Figures{Alarms: 0.9, Reassures: 0.86, AtMost: 20}},
		"the other method's":            {"timing_belt", "age", told, catalogue.Figures{Alarms: 0.35, Reassures: 0.3, AtMost: 7}},
		"the item's":                    {"hoses", "weeps", seen, catalogue.Figures{Alarms: 0.9, Reassures: 0.65, AtMost: 20}},
		"the item's, for what all have": {"hoses", "judged", seen, catalogue.Figures{Alarms: 0.9, Reassures: 0.65, AtMost: 20}},
		"its own over the item's":       {"hoses", "perished", seen, catalogue.Figures{Alarms: 0.95, Reassures: 0.65, AtMost: 20}},
		"its own over the method's":     {"hoses", "perished", told, catalogue.Figures{Alarms: 0.35, Reassures: 0.3, AtMost: 3}},
	} {
		if got := cat.Item(c.item).Find(c.finding).Figures(c.method); got != c.want {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
		}
	}
}

func TestWhatAnItemSaysOfItself(t *testing.T) {
	cat := mustNew(t, valid())
	belt, hoses := cat.Item("timing_belt"), cat.Item("hoses")
	if belt.HalfLife != 0 || belt.NeededFrom.Gate != "" || belt.NeededFrom.When != nil || belt.Parts != nil {
		t.Errorf("the belt says %+v", belt)
	}
	if hoses.HalfLife != 2 || hoses.NeededFrom.Gate != "yard_move" || hoses.NeededFrom.When.Source() != "cylinders > 1" {
		t.Errorf("the hoses say %v years, %+v", hoses.HalfLife, hoses.NeededFrom)
	}
	if len(hoses.Parts) != 2 || hoses.Parts[0].ID != "banjo" || hoses.Parts[1].Index != 1 {
		t.Fatalf("the parts are %+v", hoses.Parts)
	}
	if outer := hoses.PartBytes([]byte("outer")); outer != hoses.Parts[1] || !slices.Equal(outer.Finds, []*catalogue.Finding{hoses.Find("perished"), hoses.Find("chafed")}) {
		t.Errorf("the outer is %+v", outer)
	}
	if hoses.PartBytes([]byte("inner")) != nil || belt.PartBytes([]byte("outer")) != nil {
		t.Error("a part that is not there is found")
	}
}

// What is written is what is read, in each of the forms that there are.
func TestTheFormsOfADocument(t *testing.T) {
	const written = `{"methods":[{"id":"seen","is":"looked at","alarms":0.9,"reassures":0.86,"at_most":20,"source":{"kind":"judgement"}}],` +
		`"positions":{"ends":["front","rear"],"pots":{"count":"cylinders","is":"cylinder"}},` +
		`"facts":[{"id":"built","kind":"date","in":"vehicle"},{"id":"cylinders","kind":"count","min":1,"max":24,"in":"vehicle"},{"id":"last_ran","kind":"date","in":"lay_up"}],` +
		`"systems":[{"id":"brakes","is":"brakes","items":[` +
		`{"id":"linings","is":"","minutes":5,"access":"wheels","finds":[{"id":"worn","kind":"flag","methods":{"seen":{"alarms":0.5}}}],` +
		`"positions":"ends","needed_from":{"gate":"yard_move"},"half_life":2,"methods":{"seen":{"reassures":0.65,"at_most":10}},"parts":{"springs":["worn"]}},` +
		`{"id":"runs","is":"","minutes":5,"access":"underside","finds":null,"positions":["sill","axle"]},` +
		`{"id":"plugs","is":"","minutes":5,"access":"none","finds":null,"positions":"pots"},{"id":"drums","is":"","minutes":5,"access":"none","finds":null}]}]}`
	var doc catalogue.Document
	if err := json.Unmarshal([]byte(written), &doc); err != nil {
		t.Fatal(err)
	}
	cat := mustNew(t, &doc)
	if n := len(cat.Item("plugs").Positions); n != 24 || len(cat.Item("runs").Positions) != 2 || cat.Item("linings").Positions[1].ID != "rear" || cat.Item("drums").Positions != nil {
		t.Errorf("positions are %+v", cat.Positions)
	}
	again, err := json.Marshal(doc)
	if err != nil || string(again) != written {
		t.Errorf("written anew (%v):\n%s\nwant\n%s", err, again, written)
	}
	for _, bad := range []string{`{"positions": {"ends": 2}}`, `{"positions": {"ends": "front"}}`, `{"systems": [{"items": [{"positions": 2}]}]}`, `{"systems": [{"items": [{"positions": {"count": "cylinders"}}]}]}`} {
		if err := json.Unmarshal([]byte(bad), new(catalogue.Document)); err == nil {
			t.Errorf("%s was read", bad)
		}
	}
}

func TestAnItemIsThereUnlessTheFactsSayOtherwise(t *testing.T) {
	cat := mustNew(t, valid())
	drive := cat.Fact("vehicle", "valve_drive")
	for name, c := range map[string]struct {
		value float64
		want  bool
	}{"a belt": {0, true}, "a chain": {1, false}, "unknown": {condition.Unset, true}} {
		f := make(condition.Frame, cat.Size)
		f[drive.Slot] = c.value
		if got := cat.Item("timing_belt").AppliesTo(f); got != c.want {
			t.Errorf("%s: the belt is there: %v", name, got)
		}
		if !cat.Item("compression").AppliesTo(f) {
			t.Errorf("%s: there is no compression", name)
		}
	}
}

// layout checks what holds of every catalogue.
func layout(t *testing.T, cat *catalogue.Catalogue) {
	t.Helper()
	taken := map[int]string{cat.AsOf: "as_of", cat.YearsLaidUp: "years_laid_up", cat.YearsSinceBuilt: "years_since_built"}
	take := func(f *catalogue.Finding, path string) {
		if other, dup := taken[f.Slot]; dup || f.Slot < 0 || f.Slot >= cat.Size {
			t.Errorf("%s has slot %d of %d, as has %s", path, f.Slot, cat.Size, other)
		}
		taken[f.Slot] = path
		if cat.Owner(f.Slot) != f {
			t.Errorf("slot %d is not owned by %s", f.Slot, path)
		}
		if n, ok := cat.Conditions.Name(path, ""); !ok || n.Slot != f.Slot {
			t.Errorf("conditions read %s at %d, want %d", path, n.Slot, f.Slot)
		}
		bounds(t, path, f)
	}
	for _, f := range cat.Facts {
		take(f, f.ID)
		if _, ok := cat.FactsOnly.Name(f.ID, ""); !ok {
			t.Errorf("conditions on facts cannot read %s", f.ID)
		}
	}
	for i, it := range cat.Items {
		if it.Index != i || cat.Item(it.ID) != it {
			t.Errorf("%s is item %d, want %d", it.ID, it.Index, i)
		}
		for k, f := range it.Finds {
			take(f, "other."+it.ID+"."+f.ID)
			if f.Slot != it.Finds[0].Slot+k {
				t.Errorf("the slots of %s are not in a row", it.ID)
			}
		}
	}
	if len(taken) != cat.Size {
		t.Errorf("%d slots are taken of %d", len(taken), cat.Size)
	}
	for _, slot := range []int{cat.AsOf, cat.YearsLaidUp, cat.YearsSinceBuilt} {
		if cat.Owner(slot) != nil {
			t.Errorf("slot %d is owned", slot)
		}
	}
	if got, want := len(cat.Conditions.Names()), cat.Size; got != want {
		t.Errorf("conditions read %d names, want %d", got, want)
	}
}

// bounds checks that the bounds of a quantity are the same in every unit.
func bounds(t *testing.T, path string, f *catalogue.Finding) {
	t.Helper()
	if f.Kind != catalogue.Quantity {
		if _, ok := f.Bounds([]byte("km")); ok || len(f.Units()) != 0 {
			t.Errorf("%s has units", path)
		}
		return
	}
	if !slices.Equal(f.Units(), f.Unit.Names()) {
		t.Errorf("%s is accepted in %v, want %v", path, f.Units(), f.Unit.Names())
	}
	for _, name := range f.Units() {
		u, ok := quantity.Lookup(name)
		b, has := f.Bounds([]byte(name))
		if !ok || !has || b.Unit.Code != u.Code {
			t.Errorf("%s in %s: %+v", path, name, b)
			continue
		}
		for _, end := range [][2]float64{{b.Min, f.Min}, {b.Max, f.Max}} {
			got, err := quantity.Convert(end[0], u, f.Unit)
			if err != nil || got != end[1] && math.Abs(got-end[1]) > 1e-9*max(1, math.Abs(end[1])) {
				t.Errorf("%s: %v %s is %v %s, want %v (%v)", path, end[0], name, got, f.Unit.Code, end[1], err)
			}
		}
		if !(b.Min < b.Max) {
			t.Errorf("%s in %s is from %v to %v", path, name, b.Min, b.Max)
		}
	}
}

func TestLayoutOfASmallCatalogue(t *testing.T) { layout(t, mustNew(t, valid())) }

// builtIn puts the catalogue of the built-in rule set together from its files.
func builtIn(t *testing.T) *catalogue.Catalogue {
	t.Helper()
	paths, err := fs.Glob(schema.FS, schema.FirstStart+"/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatalf("there are no files (%v)", err)
	}
	var doc catalogue.Document
	for _, p := range paths {
		data, err := fs.ReadFile(schema.FS, p)
		if err != nil {
			t.Fatal(err)
		}
		var written struct {
			Catalogue any `json:"catalogue,omitempty"`
			Systems   any `json:"systems,omitempty"`
		}
		if err := yaml.Unmarshal(data, &written); err != nil {
			t.Fatalf("%s: %v", p, err)
		}
		if data, err = json.Marshal(written); err != nil {
			t.Fatal(err)
		}
		file := struct {
			Catalogue *catalogue.Document
			Systems   []catalogue.SystemForm
		}{Catalogue: &doc}
		if err := json.Unmarshal(data, &file); err != nil {
			t.Fatalf("%s: %v", p, err)
		}
		for _, s := range file.Systems {
			if i := slices.IndexFunc(doc.Systems, func(have catalogue.SystemForm) bool { return have.ID == s.ID }); i >= 0 {
				doc.Systems[i].Items = append(doc.Systems[i].Items, s.Items...)
			} else {
				doc.Systems = append(doc.Systems, s)
			}
		}
	}
	return mustNew(t, &doc)
}

func TestLayoutOfTheBuiltInCatalogue(t *testing.T) {
	cat := builtIn(t)
	layout(t, cat)
	if len(cat.Items) < 50 {
		t.Errorf("there are %d items only", len(cat.Items))
	}
}

// 100 psi are 689.475 7 kPa: NIST SP 811 (2008), appendix B.8.
func TestBoundsInTheUnitsOfTheTrade(t *testing.T) {
	d := valid()
	d.Systems[1].Items[0].Finds[0].Max = number(689.475729316836)
	f := mustNew(t, d).Item("compression").Find("lowest")
	b, ok := f.Bounds([]byte("psi"))
	if !ok || b.Min != 0 || b.Max != 100 || b.Unit.Code != "[psi]" {
		t.Errorf("bounds are %+v", b)
	}
	if _, ok := f.Bounds([]byte("V")); ok {
		t.Error("a pressure was accepted in volts")
	}
}
