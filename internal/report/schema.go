package report

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"laidup/internal/catalogue"
)

// Schema returns the JSON Schema (2020-12) of reports on vehicles of a catalogue. It accepts and
// refuses what [Decode] does, up to what one value says about another.
func Schema(cat *catalogue.Catalogue) []byte {
	s := &schemaWriter{defs: object{}}
	s.defs["date"] = object{
		"description": "a calendar date; year and month, or the year alone, where the day is not known",
		"type":        "string",
		"anyOf": []any{
			object{"pattern": "^" + yearPattern + "$"},
			object{"pattern": "^" + yearPattern + "-(0[1-9]|1[0-2])$"},
			object{"$ref": "#/$defs/day"},
		},
	}
	s.defs["day"] = object{"type": "string", "format": "date", "pattern": "^" + yearPattern + "-[0-9]{2}-[0-9]{2}$"}
	s.defs["week_code"] = object{
		"description": "week and year of making since 2000, by the last four digits of the number on a tyre's wall: 0914 is week 9 of 2014",
		"type":        "string", "pattern": "^(0[1-9]|[1-4][0-9]|5[0-3])[0-9]{2}$",
	}
	items, methods := []any{}, []any{}
	branches := []any{}
	for _, it := range cat.Items {
		items = append(items, it.ID)
		s.defs["found_on_"+it.ID] = s.found(it)
		branches = append(branches, object{
			"if":   object{"properties": object{"item": object{"const": it.ID}}, "required": []any{"item"}},
			"then": object{"properties": object{"found": object{"$ref": "#/$defs/found_on_" + it.ID}}},
		})
	}
	for _, m := range cat.Methods {
		methods = append(methods, m.ID)
	}
	s.defs["observation"] = object{
		"type": "object", "additionalProperties": false, "required": []any{"item", "method", "found"},
		"properties": object{
			"item":   object{"enum": items},
			"method": object{"enum": methods},
			"date":   object{"$ref": "#/$defs/date"},
			"note":   object{"type": []any{"string", "null"}, "maxLength": MaxNote, "pattern": storable},
			"found":  object{"type": "object", "additionalProperties": true}, // said, as generators of clients take it for none
		},
		"allOf": branches,
	}
	text := object{"type": []any{"string", "null"}, "maxLength": MaxText, "pattern": storable}
	vehicle := s.facts(cat, "vehicle")
	vehicle["reference"] = object{"type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9._~-]{0,99}$"}
	vehicle["description"] = text
	vehicle["vin"] = object{"anyOf": []any{
		object{"type": "null"},
		object{"type": "string", "maxLength": vinLength - 1, "pattern": storable},
		object{"type": "string", "pattern": "^[A-HJ-NPR-Za-hj-npr-z0-9]{17}$"},
	}}
	whole := object{
		"$schema": "https://json-schema.org/draft/2020-12/schema",
		"$id":     "urn:laidup:report:1",
		"title":   "laidup report",
		"type":    "object", "additionalProperties": false,
		"required": []any{"schema", "vehicle", "inspection", "observations"},
		"properties": object{
			"schema":    object{"const": SchemaName},
			"reference": text,
			"vehicle":   object{"type": "object", "additionalProperties": false, "required": []any{"reference"}, "properties": vehicle},
			"lay_up":    object{"type": []any{"object", "null"}, "additionalProperties": false, "properties": s.facts(cat, "lay_up")},
			"inspection": object{
				"type": "object", "additionalProperties": false, "required": []any{"date"},
				"properties": object{
					"date":      object{"$ref": "#/$defs/day"},
					"inspector": text,
					"purpose":   object{"enum": append(words(Purposes), nil)},
				},
			},
			"observations": object{"type": "array", "maxItems": MaxObservations, "items": object{"$ref": "#/$defs/observation"}},
		},
		"$defs": s.defs,
	}
	data, err := json.MarshalIndent(whole, "", " ")
	if err != nil {
		panic(err) // maps, lists and words cannot fail to encode
	}
	return append(data, '\n')
}

type object = map[string]any

// Patterns in the part of the language that ECMAScript and RE2 share: storable is any text without
// the character U+0000, said is one in which something is said, by Unicode's notion of a space.
const (
	storable = `^[^\x00]*$`
	said     = `^[^\x00]*[^\x00\t-\r ` + "\u0085\u00a0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000" + `][^\x00]*$`
)

const yearPattern = "([1-9][0-9]{3}|0[1-9][0-9]{2}|00[1-9][0-9]|000[1-9])"

type schemaWriter struct {
	defs object
}

func words(list []string) []any {
	out := make([]any, len(list))
	for i, w := range list {
		out[i] = w
	}
	return out
}

// facts describes the facts of one part of a report; those with a dot stand in an object of their own.
func (s *schemaWriter) facts(cat *catalogue.Catalogue, part string) object {
	properties := object{}
	for _, f := range cat.Facts {
		if f.In != part {
			continue
		}
		outer, inner, nested := strings.Cut(f.ID, ".")
		into, name := properties, f.ID
		if nested {
			if properties[outer] == nil {
				properties[outer] = object{"type": []any{"object", "null"}, "additionalProperties": false, "properties": object{}}
			}
			into, name = properties[outer].(object)["properties"].(object), inner
		}
		// Null and "unknown" are the same as leaving a fact out.
		into[name] = object{"title": f.Is, "anyOf": []any{s.value(f), object{"enum": []any{nil, "unknown"}}}}
	}
	return properties
}

func (s *schemaWriter) found(it *catalogue.Item) object {
	properties := object{}
	for _, f := range it.Finds {
		properties[f.ID] = s.value(f)
		properties[f.ID].(object)["title"] = f.Is
	}
	return object{"title": it.Is, "type": "object", "additionalProperties": false, "minProperties": 1, "properties": properties}
}

func (s *schemaWriter) value(f *catalogue.Finding) object {
	switch f.Kind {
	case catalogue.Flag:
		return object{"type": "boolean"}
	case catalogue.Choice:
		return object{"enum": words(f.Values)}
	case catalogue.Count:
		return bounded(object{"type": "integer"}, f.Min, f.Max)
	case catalogue.Date:
		return object{"$ref": "#/$defs/date"}
	case catalogue.WeekCode:
		return object{"$ref": "#/$defs/week_code"}
	case catalogue.Quantity:
		return object{"$ref": "#/$defs/" + s.quantity(f)}
	}
	return object{"type": "string", "minLength": 1, "maxLength": MaxText, "pattern": said}
}

func bounded(o object, lo, hi float64) object {
	if !math.IsInf(lo, 0) {
		o["minimum"] = lo
	}
	if !math.IsInf(hi, 0) {
		o["maximum"] = hi
	}
	return o
}

// quantity describes a measurement, with its bounds in each unit, and returns the name of the
// definition; measurements alike share one.
func (s *schemaWriter) quantity(f *catalogue.Finding) string {
	name := strings.NewReplacer("[", "", "]", "", "%", "percent", "/", "_per_", "'", "_", "-", "minus_", "+", "", ".", "_").
		Replace(fmt.Sprintf("quantity_%s_%v_to_%v", f.Unit.Code, f.Min, f.Max))
	if s.defs[name] != nil {
		return name
	}
	units := f.Units()
	branches := []any{}
	for _, u := range f.Unit.Like() {
		b, _ := f.Bounds([]byte(u.Code))
		branches = append(branches, object{"properties": object{
			"unit":  object{"enum": words(append([]string{u.Code}, u.Short...))},
			"value": bounded(object{}, b.Min, b.Max),
		}})
	}
	s.defs[name] = object{
		"type": "object", "additionalProperties": false, "required": []any{"value", "unit"},
		"properties": object{
			"value": object{"type": "number"},
			"unit":  object{"enum": words(units)},
		},
		"anyOf": branches,
	}
	return name
}
